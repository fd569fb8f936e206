//! The simulated kitchen: rooms, boxes, an oven with its lamp, dough and sensors, publishing over real MQTT.
