//! A reading as an InfluxDB point: measurement `reading`; tags `sensor`, `quantity`, `place`,
//! `batch`; fields `value`, `raw`, `kept_out`, `arrived_ms`; time in milliseconds.

use influxdb2::models::DataPoint;

use crate::store::StoredReading;

/// The point, or `None` for a value that line protocol cannot say (not finite).
pub fn point(reading: &StoredReading) -> Option<DataPoint> {
    if !reading.value.is_finite() {
        return None;
    }
    let mut point = DataPoint::builder("reading")
        .tag("quantity", reading.quantity.as_str())
        .field("value", reading.value)
        .field("arrived_ms", reading.arrived.0)
        .timestamp(reading.time.0);
    let tags = [
        ("sensor", Some(&reading.sensor)),
        ("place", reading.place.as_ref()),
        ("batch", reading.batch.as_ref()),
    ];
    for (name, value) in tags {
        let value = tag_value(value.map_or("", |name| name.as_str()));
        // An empty tag value is a syntax error in line protocol.
        if !value.is_empty() {
            point = point.tag(name, value);
        }
    }
    if let Some((raw, unit)) = reading.raw.filter(|(raw, _)| raw.is_finite()) {
        point = point.field("raw", raw).field("raw_unit", unit.as_str());
    }
    if let Some(reason) = reading.kept_out {
        point = point.field("kept_out", reason.as_str());
    }
    point.build().ok()
}

/// Line protocol has no escape for a line break in a tag, and a last backslash would escape the
/// separator after it; the crate passes both through.
fn tag_value(text: &str) -> String {
    let clean: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    clean.trim_end_matches('\\').trim().to_owned()
}

#[cfg(test)]
mod tests {
    use influxdb2::models::WriteDataPoint as _;

    use super::*;
    use crate::batches::record::{Quantity, Unit};
    use crate::store::KeptOut;
    use crate::time::UtcMs;

    fn line(reading: &StoredReading) -> String {
        let mut out = Vec::new();
        point(reading)
            .unwrap()
            .write_data_point_to(&mut out)
            .unwrap();
        String::from_utf8(out).unwrap()
    }

    fn reading(sensor: &str) -> StoredReading {
        StoredReading {
            time: UtcMs(1_767_247_500_250),
            arrived: UtcMs(1_767_247_500_251),
            sensor: sensor.into(),
            quantity: Quantity::AirTemperature,
            value: 24.5,
            raw: None,
            kept_out: None,
            place: Some("box".into()),
            batch: None,
        }
    }

    // Line protocol as InfluxDB 2's published syntax has it: commas, spaces and equals signs in tag
    // values escaped by a backslash, integers with `i`, strings in quotes. (From memory.)
    #[test]
    fn a_reading_is_one_line_of_line_protocol() {
        assert_eq!(
            line(&reading("box")),
            "reading,place=box,quantity=air_temperature,sensor=box arrived_ms=1767247500251i,value=24.5 1767247500250\n"
        );
        let mut odd = reading("the oven, left=1\n\\");
        odd.raw = Some((76.1, Unit::DegF));
        odd.kept_out = Some(KeptOut::LoneJump);
        assert_eq!(
            line(&odd),
            "reading,place=box,quantity=air_temperature,sensor=the\\ oven\\,\\ left\\=1 arrived_ms=1767247500251i,kept_out=\"lone_jump\",raw=76.1,raw_unit=\"degF\",value=24.5 1767247500250\n"
        );
    }

    #[test]
    fn what_line_protocol_cannot_say_is_left_out() {
        let mut bad = reading("");
        bad.value = f64::NAN;
        assert!(point(&bad).is_none());
    }
}
