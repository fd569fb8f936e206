//! Row 10 of the reliability promises, one list of readings a case.

use super::*;

/// 2026-01-09T23:06:40Z.
const START: i64 = 1_768_000_000_000;

/// Judges readings every 30 s, live.
fn judged(quantity: Quantity, values: &[f64]) -> Vec<Option<KeptOut>> {
    let mut gate = Gate::default();
    let mut out: Vec<Option<KeptOut>> = Vec::new();
    for (i, value) in values.iter().enumerate() {
        let time = UtcMs(START + 30_000 * i as i64);
        let verdict = gate.judge("s", quantity, live(time, *value));
        if let Some(release) = verdict.release {
            out[((release.0 - START) / 30_000) as usize] = None;
        }
        out.push(verdict.kept_out);
    }
    out
}

fn live(time: UtcMs, value: f64) -> Candidate {
    Candidate {
        time,
        arrived: time,
        own_time: false,
        value,
        raw: value,
        resumed: None,
        retained: false,
    }
}

const JUMP: Option<KeptOut> = Some(KeptOut::LoneJump);
const FAULT: Option<KeptOut> = Some(KeptOut::ProbeFault);
const RANGE: Option<KeptOut> = Some(KeptOut::OutOfRange);

#[test]
fn a_lone_jump_is_held_out_and_a_confirmed_one_is_released() {
    let air = Quantity::AirTemperature;
    assert_eq!(judged(air, &[24.0, 34.0, 24.1]), [None, JUMP, None]);
    assert_eq!(judged(air, &[24.0, 34.0, 34.2, 34.1]), [None; 4]);
    assert_eq!(
        judged(air, &[24.0, 14.0, 34.0, 24.0]),
        [None, JUMP, JUMP, None]
    );
    assert_eq!(judged(air, &[24.0, 31.0, 24.0]), [None; 3]);
    assert_eq!(
        judged(Quantity::Humidity, &[60.0, 95.0, 61.0, 130.0, -1.0]),
        [None, JUMP, None, RANGE, RANGE]
    );
}

#[test]
fn an_oven_that_heats_is_believed() {
    // 13 degrees a minute at a reading a minute: each is a jump that the next one confirms.
    let mut values: Vec<f64> = (0..16).map(|i| 25.0 + 13.0 * f64::from(i)).collect();
    // The thermostat cuts in; the last step is confirmed too.
    values.push(221.0);
    let verdicts = judged(Quantity::AirTemperature, &values);
    assert!(verdicts.iter().all(Option::is_none), "{verdicts:?}");
}

#[test]
fn probe_fault_values_are_judged_by_what_was_before() {
    let air = Quantity::AirTemperature;
    assert_eq!(judged(air, &[85.0, 24.0, 24.1]), [FAULT, None, None]);
    assert_eq!(
        judged(air, &[24.0, 85.0, 85.0, 24.0]),
        [None, FAULT, FAULT, None]
    );
    assert_eq!(judged(air, &[24.0, -127.0, 127.94]), [None, FAULT, FAULT]);
    // An oven on its way up passes 85 for real.
    let verdicts = judged(air, &[60.0, 66.0, 72.5, 79.0, 85.0, 91.0]);
    assert_eq!(verdicts, [None; 6]);
}

#[test]
fn absurd_values_are_out_of_range_and_air_may_be_an_oven() {
    assert_eq!(
        judged(Quantity::AirTemperature, &[1e308, 301.0]),
        [RANGE, RANGE]
    );
    assert_eq!(
        judged(Quantity::AirTemperature, &[250.0, 252.0]),
        [None, None]
    );
    assert_eq!(
        judged(Quantity::DoughTemperature, &[24.0, 250.0]),
        [None, RANGE]
    );
    assert_eq!(judged(Quantity::Battery, &[90.0, 10.0]), [None, None]);
}

#[test]
fn ten_minutes_ahead_is_the_bound() {
    let mut gate = Gate::default();
    let arrived = UtcMs(START);
    let mut at = |ahead_min: i64| {
        let c = Candidate {
            own_time: true,
            arrived,
            ..live(arrived.plus_ms(ahead_min * MINUTE_MS), 24.0)
        };
        gate.judge("s", Quantity::AirTemperature, c).kept_out
    };
    assert_eq!(at(9), None);
    assert_eq!(at(11), Some(KeptOut::Future));
    assert_eq!(at(60 * 24 * 365 * 80), Some(KeptOut::Future));
    assert_eq!(at(-60 * 24), None);
}

#[test]
fn a_backlog_without_times_is_marked_until_the_usual_pace_returns() {
    let mut gate = Gate::default();
    let mut judge = |at_ms: i64, resumed: Option<u64>, own_time: bool| {
        let c = Candidate {
            resumed,
            own_time,
            ..live(UtcMs(START + at_ms), 24.0)
        };
        gate.judge("s", Quantity::AirTemperature, c).kept_out
    };
    for i in 0..5 {
        assert_eq!(judge(i * 10_000, None, false), None);
    }
    // An hour away, then a backlog at once, then the usual pace.
    let back = 3_600_000;
    let unknown = Some(KeptOut::UnknownTime);
    for i in 0..20 {
        assert_eq!(judge(back + i, Some(2), false), unknown);
    }
    assert_eq!(judge(back + 9_000, Some(2), false), None);
    assert_eq!(judge(back + 19_000, Some(2), false), None);
    // With times of their own nothing is unknown.
    for i in 0..20 {
        assert_eq!(judge(back + 30_000 + i, Some(3), true), None);
    }
}

#[test]
fn late_readings_are_not_compared_with_neighbours() {
    let judge_all = |order: &[usize]| {
        let mut gate = Gate::default();
        let mut verdicts = vec![None; order.len()];
        for i in order {
            let c = Candidate {
                arrived: UtcMs(START + 9_000_000),
                own_time: true,
                ..live(
                    UtcMs(START + 1_000_000 * *i as i64),
                    if i % 2 == 0 { 24.0 } else { 40.0 },
                )
            };
            verdicts[*i] = gate.judge("s", Quantity::AirTemperature, c).kept_out;
        }
        verdicts
    };
    assert_eq!(judge_all(&[0, 1, 2, 3, 4]), judge_all(&[3, 1, 4, 2, 0]));
}

#[test]
fn a_clock_that_was_never_set_marks_what_arrives_and_judges_no_other_time() {
    let mut gate = Gate::default();
    let booted = UtcMs(40_000);
    let bare = gate.judge("bare", Quantity::AirTemperature, live(booted, 24.0));
    assert_eq!(bare.kept_out, Some(KeptOut::UnknownTime));
    let timed = Candidate {
        own_time: true,
        arrived: booted,
        ..live(UtcMs(START), 24.0)
    };
    let timed = gate.judge("timed", Quantity::AirTemperature, timed);
    assert_eq!(timed.kept_out, None);
}
