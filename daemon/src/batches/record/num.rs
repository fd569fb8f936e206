//! Numbers in the log book: the shortest text that reads back the same, whole ones without `.0`.

use serde::{Deserialize, Deserializer, Serializer};

/// Writes a whole number as one.
///
/// # Errors
/// The serializer's own.
pub fn serialize<S: Serializer>(value: &f64, s: S) -> Result<S::Ok, S::Error> {
    // A whole number below 1e16 is exact in both types; from there on it is written with an exponent.
    if value.fract() == 0.0 && value.abs() < 1e16 {
        s.serialize_i64(*value as i64)
    } else {
        s.serialize_f64(*value)
    }
}

/// Reads any number.
///
/// # Errors
/// The deserializer's own.
pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<f64, D::Error> {
    f64::deserialize(d)
}

/// The same for a field that may be absent.
pub mod option {
    use serde::{Deserialize, Deserializer, Serializer};

    /// Writes a whole number as one.
    ///
    /// # Errors
    /// The serializer's own.
    pub fn serialize<S: Serializer>(value: &Option<f64>, s: S) -> Result<S::Ok, S::Error> {
        match value {
            Some(v) => super::serialize(v, s),
            None => s.serialize_none(),
        }
    }

    /// Reads any number.
    ///
    /// # Errors
    /// The deserializer's own.
    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Option<f64>, D::Error> {
        Option::<f64>::deserialize(d)
    }
}
