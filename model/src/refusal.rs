//! What the model says to a number it cannot use: one clear line, never a panic.

use thiserror::Error;

/// Why an input was refused.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Refusal {
    /// A number is not finite or lies outside the range in which the equation means anything.
    #[error("{what} is {value}; it must lie from {lowest} to {highest}")]
    OutOfRange {
        /// The quantity, with its unit.
        what: &'static str,
        /// The number that was given.
        value: f64,
        /// The lowest that is accepted.
        lowest: f64,
        /// The highest that is accepted.
        highest: f64,
    },
    /// There is too little data to say anything.
    #[error("{what}: at least {needed} are needed, {given} given")]
    TooFew {
        /// What is counted.
        what: &'static str,
        /// How many the calculation needs.
        needed: usize,
        /// How many there were.
        given: usize,
    },
    /// The numbers are each fine but do not fit together.
    #[error("{0}")]
    Inconsistent(&'static str),
}

/// `value` if it is finite and within `lowest..=highest`, else a refusal that names `what`.
///
/// ```
/// use doughwarden_model::refusal::within;
/// assert_eq!(within("mass, kg", 0.9, 0.0, 100.0), Ok(0.9));
/// let refused = within("mass, kg", f64::NAN, 0.0, 100.0).unwrap_err();
/// assert_eq!(refused.to_string(), "mass, kg is NaN; it must lie from 0 to 100");
/// ```
pub fn within(what: &'static str, value: f64, lowest: f64, highest: f64) -> Result<f64, Refusal> {
    if value.is_finite() && value >= lowest && value <= highest {
        Ok(value)
    } else {
        Err(Refusal::OutOfRange {
            what,
            value,
            lowest,
            highest,
        })
    }
}
