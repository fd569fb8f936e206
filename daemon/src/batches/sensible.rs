//! What a tap or a form may say: slips of the finger are refused where they are made. An imported log
//! book is taken as written (the contract); this is only for entries made here and now.

use super::record::{Dough, Observation, ObservationKind, Record, StageRecord, Usual};

/// Longest name that a page shows in a line or two, characters.
const NAME: usize = 80;
/// A dough's own temperature, °C: from the freezer's edge to past any yeast.
const DOUGH_C: std::ops::RangeInclusive<f64> = -5.0..=60.0;
/// A top proofing temperature, °C: above 50 no yeast lives and no alarm would come in time.
const TOP_C: std::ops::RangeInclusive<f64> = 15.0..=50.0;
/// Growth since the start of the proof: from somewhat fallen to eleven times its volume.
const RISE: std::ops::RangeInclusive<f64> = -0.5..=10.0;
/// A proof's usual time, minutes: up to a week in the cold.
const USUAL_MIN: std::ops::RangeInclusive<f64> = 1.0..=10_080.0;
/// Notice before ready, minutes.
const LEAD_MIN: std::ops::RangeInclusive<f64> = 0.0..=1_440.0;

/// Whether an entry makes sense.
///
/// # Errors
/// One sentence for the baker.
pub fn entry(record: &Record) -> Result<(), String> {
    match record {
        Record::Place(r) => name("place", &r.name),
        Record::Dough(r) => dough(r),
        Record::Batch(r) => {
            name("dough", &r.dough)?;
            name("place", &r.place)?;
            match r.pieces {
                Some(n) if !(1..=10_000).contains(&n) => Err("Pieces are 1 to 10000.".into()),
                _ => Ok(()),
            }
        }
        Record::Stage(r) => stage(r),
        Record::Move(r) => name("place", &r.place),
        Record::Observation(r) => observation(r),
        Record::Reading(_) => Ok(()),
    }
}

fn name(what: &str, name: &str) -> Result<(), String> {
    match name.chars().count() {
        n if n > NAME => Err(format!("The {what}'s name is longer than {NAME} letters.")),
        _ => Ok(()),
    }
}

fn within(
    value: Option<f64>,
    range: &std::ops::RangeInclusive<f64>,
    say: &str,
    unit: &str,
) -> Result<(), String> {
    match value {
        Some(v) if !range.contains(&v) => Err(format!(
            "{say} is {} to {}{unit}.",
            range.start(),
            range.end()
        )),
        _ => Ok(()),
    }
}

fn dough(r: &Dough) -> Result<(), String> {
    name("dough", &r.name)?;
    within(r.ceiling, &TOP_C, "A top proofing temperature", " °C")?;
    for usual in [&r.bulk, &r.final_].into_iter().flatten() {
        let Usual {
            usual_min,
            at,
            target_rise,
        } = *usual;
        within(usual_min, &USUAL_MIN, "A proof's usual time", " min")?;
        within(at, &DOUGH_C, "The temperature it holds at", " °C")?;
        within(
            target_rise,
            &RISE,
            "The rise at ready (1 is doubled, 100 %)",
            "",
        )?;
    }
    if let Some(lead) = r.lead_min {
        within(lead.bulk, &LEAD_MIN, "Notice", " min")?;
        within(lead.final_, &LEAD_MIN, "Notice", " min")?;
    }
    let mut masses = r.formula.iter().flatten().map(|i| i.mass_g);
    if masses.any(|g| !(g.is_finite() && g >= 0.0)) {
        return Err("An ingredient's mass is a number of grams, not below 0.".into());
    }
    Ok(())
}

fn stage(r: &StageRecord) -> Result<(), String> {
    within(
        r.dough_temperature,
        &DOUGH_C,
        "A dough's temperature",
        " °C",
    )
}

fn observation(r: &Observation) -> Result<(), String> {
    match r.kind {
        ObservationKind::Rise => within(r.rise, &RISE, "A rise (1 is doubled)", "")
            .map_err(|e| format!("{e} Check the two heights.")),
        ObservationKind::DoughTemperature => {
            within(r.value, &DOUGH_C, "A dough's temperature", " °C")
        }
        ObservationKind::FingerDent | ObservationKind::Note => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_of_the_finger_are_refused() {
        let record = |text: &str| serde_json::from_str::<Record>(text).unwrap();
        for slip in [
            r#"{"record":"dough","name":"d","ceiling":90}"#,
            r#"{"record":"dough","name":"d","bulk":{"usual_min":-5}}"#,
            r#"{"record":"batch","id":"b","dough":"d","place":"p","pieces":0}"#,
            r#"{"record":"stage","batch":"b","stage":"bulk","start":"2026-01-01T00:00:00Z","dough_temperature":9999}"#,
            r#"{"record":"observation","batch":"b","time":"2026-01-01T00:00:00Z","kind":"rise","rise":999}"#,
        ] {
            assert!(entry(&record(slip)).is_err(), "{slip}");
        }
        let fine = r#"{"record":"dough","name":"d","bulk":{"usual_min":95,"at":24,"target_rise":0.8},"ceiling":29}"#;
        assert_eq!(entry(&record(fine)), Ok(()));
    }
}
