//! Humid air: saturation pressure, dew point, vapour-pressure deficit, and drying of the dough's skin.
