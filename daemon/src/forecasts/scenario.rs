//! The air to come: where a place is heading by its readings, its lamp and the changes planned for it.

use super::air::{DRIFT_MIN, GAP_MIN};
use super::planned::{Change, Pull};
use crate::batches::record::PlaceKind;

/// A recent mean is taken over this long, minutes.
const RECENT_MIN: f64 = 10.0;
/// A room forgets what it is now in so long, minutes (the model's prior of a room: four hours).
const ROOM_MIN: f64 = 240.0;
/// How far off a planned change may end, °C (own choice).
const PLANNED_SD_C: f64 = 1.2;
/// After so long the readings say where a change has led, minutes.
const SETTLED_MIN: f64 = 120.0;
/// A change of which this share is not seen after [`SHOWS_MIN`] did not take place.
const SHOWS: f64 = 0.1;
/// A change shows after so long, minutes.
const SHOWS_MIN: f64 = 30.0;

/// The air to come: `plateau + (now - plateau) e^(-t/tau)`, from one planned change to the next, with
/// a spread that grows.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// Now, °C.
    pub now_c: f64,
    /// Where it is heading, °C.
    pub plateau_c: f64,
    /// How fast, minutes.
    pub tau_min: f64,
    /// Spread of a whole future about it, °C, reached with `spread_min`.
    pub sd_c: f64,
    /// How fast the spread grows, minutes.
    pub spread_min: f64,
    /// Changes planned, on a clock that begins now.
    pub planned: Vec<Change>,
    /// What has become of the change that fell last.
    pub last: Last,
}

/// What has become of the planned change that fell last.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Last {
    /// There is none, or it is over: readings say where the air goes.
    #[default]
    None,
    /// It fell so many minutes ago and the air is on its way to this, °C.
    Underway(f64, f64),
    /// It fell so many minutes ago, and the readings show nothing of it.
    Unseen(f64, f64),
}

impl Scenario {
    /// Without a plan.
    #[must_use]
    pub fn unplanned(now_c: f64, plateau_c: f64, tau_min: f64, sd_c: f64, spread_min: f64) -> Self {
        Self {
            now_c,
            plateau_c,
            tau_min,
            sd_c,
            spread_min,
            planned: Vec::new(),
            last: Last::None,
        }
    }

    /// The air so many minutes ahead, `z` standard deviations warmer than expected.
    #[must_use]
    pub fn at(&self, ahead_min: f64, z: f64) -> f64 {
        let t = ahead_min.max(0.0);
        let own = self.sd_c * (1.0 - (-t / self.spread_min).exp());
        let fallen = self.planned.partition_point(|c| c.minute < t);
        let Some(last) = fallen.checked_sub(1).and_then(|i| self.planned.get(i)) else {
            let mean = self.plateau_c + (self.now_c - self.plateau_c) * (-t / self.tau_min).exp();
            return mean + z * own;
        };
        let mean = Pull {
            changes: &self.planned,
            base_c: self.plateau_c,
            base_tau_min: self.tau_min,
        }
        .step(self.now_c, 0.0, t);
        let planned = PLANNED_SD_C * (1.0 - (-(t - last.minute) / last.tau_min).exp());
        mean + z * own.hypot(planned)
    }
}

/// What a place is, for the air to come.
#[derive(Clone, Copy, Debug)]
pub struct Standing<'a> {
    /// Its kind.
    pub kind: PlaceKind,
    /// The room around it, °C.
    pub room_c: f64,
    /// Whether its lamp is said to be on.
    pub lamp: Option<bool>,
    /// What is planned for it, the change in force first, on the clock of the readings.
    pub planned: &'a [Change],
}

/// What the air of a place will do, from its readings so far (minutes and °C, the last two hours).
#[must_use]
pub fn outlook(now: f64, air_now: f64, recent: &[(f64, f64)], place: Standing<'_>) -> Scenario {
    let fresh: Vec<(f64, f64)> = recent
        .iter()
        .copied()
        .filter(|p| p.0 <= now + 1e-6)
        .collect();
    let silent = fresh.last().is_none_or(|p| now - p.0 > GAP_MIN);
    let mean_recent = {
        let near: Vec<f64> = fresh
            .iter()
            .filter(|p| p.0 > now - RECENT_MIN)
            .map(|p| p.1)
            .collect();
        if near.is_empty() {
            air_now
        } else {
            near.iter().sum::<f64>() / near.len() as f64
        }
    };
    let heard = (!silent).then_some(fresh.as_slice());
    let (mut scenario, last) = match in_force(now, air_now, heard, place.planned) {
        Last::Underway(since, goal) => {
            let (tau_min, sd_c) = pace(now, since, goal, heard, place.planned);
            let here = if silent { air_now } else { mean_recent };
            let scenario = Scenario::unplanned(here, goal, tau_min, sd_c, 60.0);
            (scenario, Last::Underway(since, goal))
        }
        last => (by_readings(now, air_now, mean_recent, heard, place), last),
    };
    scenario.last = last;
    scenario.planned = place
        .planned
        .iter()
        .filter(|c| c.minute > now)
        .map(|c| Change {
            minute: c.minute - now,
            ..*c
        })
        .collect();
    scenario
}

/// The change that fell last: underway, unseen in the readings, or over.
fn in_force(now: f64, air_now: f64, heard: Option<&[(f64, f64)]>, planned: &[Change]) -> Last {
    let fallen = planned.partition_point(|c| c.minute <= now);
    let Some(last) = fallen.checked_sub(1).and_then(|i| planned.get(i)) else {
        return Last::None;
    };
    let since = now - last.minute;
    let Some(points) = heard else {
        return Last::Underway(since, last.goal_c);
    };
    if since > SETTLED_MIN {
        return Last::None;
    }
    match before(points, last.minute) {
        Some(then) if (last.goal_c - then).abs() > 1.0 && since > SHOWS_MIN => {
            if (air_now - then) / (last.goal_c - then) < SHOWS {
                Last::Unseen(since, last.goal_c)
            } else {
                Last::Underway(since, last.goal_c)
            }
        }
        _ => Last::Underway(since, last.goal_c),
    }
}

/// How fast a change is going, and how sure its end is.
fn pace(
    now: f64,
    since: f64,
    goal: f64,
    heard: Option<&[(f64, f64)]>,
    planned: &[Change],
) -> (f64, f64) {
    let fallen = planned.partition_point(|c| c.minute <= now);
    let usual = fallen
        .checked_sub(1)
        .and_then(|i| planned.get(i))
        .map_or(DRIFT_MIN, |c| c.tau_min);
    let Some(points) = heard else {
        return (usual, 2.0);
    };
    let seen = before(points, now - since)
        .zip(points.last())
        .filter(|(then, _)| (goal - then).abs() > 1.0)
        .map(|(then, here)| (here.1 - then) / (goal - then))
        .filter(|done| (0.05..0.95).contains(done))
        .map(|done| -since / (-done).ln_1p());
    match seen {
        // What is seen counts for more the longer it went on.
        Some(tau) => {
            let weight = since / (since + 15.0);
            let ln = weight * tau.max(1.0).ln() + (1.0 - weight) * usual.ln();
            (ln.exp().clamp(10.0, 300.0), PLANNED_SD_C)
        }
        None => (usual, PLANNED_SD_C),
    }
}

/// The newest reading not after a moment, if it lies within the gap that is bridged.
fn before(points: &[(f64, f64)], minute: f64) -> Option<f64> {
    let i = points.partition_point(|p| p.0 <= minute);
    points
        .get(i.checked_sub(1)?)
        .filter(|p| minute - p.0 <= GAP_MIN)
        .map(|p| p.1)
}

/// Where the readings alone say that it goes.
fn by_readings(
    now: f64,
    air_now: f64,
    mean_recent: f64,
    heard: Option<&[(f64, f64)]>,
    place: Standing<'_>,
) -> Scenario {
    let Some(fresh) = heard else {
        // Nothing heard: it drifts to the room, and may be anywhere near it.
        return Scenario::unplanned(air_now, place.room_c, DRIFT_MIN, 2.0, 60.0);
    };
    match place.kind {
        PlaceKind::Fridge => Scenario::unplanned(mean_recent, mean_recent, 60.0, 0.7, 60.0),
        // A room comes back to what it usually is, slowly.
        PlaceKind::Room => Scenario::unplanned(mean_recent, place.room_c, ROOM_MIN, 0.7, 90.0),
        PlaceKind::Box | PlaceKind::Oven => {
            // The plateau within 3 °C of here, a little above; with the lamp off, towards the room.
            let towards = match place.lamp {
                Some(false) => (place.room_c - mean_recent).clamp(-8.0, 0.4),
                _ => 0.4,
            };
            approach(fresh, now, mean_recent, towards)
        }
    }
}

/// A box on its way to its plateau: the plateau's posterior over a grid of time constants, from the
/// readings since it began to warm, with a prior that it is not far above where it is.
fn approach(points: &[(f64, f64)], now: f64, mean_recent: f64, towards_c: f64) -> Scenario {
    // The latest run without a step: from the last reading that lies well below all later ones.
    let window: Vec<(f64, f64)> = points
        .iter()
        .copied()
        .filter(|p| p.0 > now - 90.0)
        .collect();
    let mut from = 0;
    for i in (1..window.len()).rev() {
        let slope_before =
            (window[i].1 - window[i - 1].1) / (window[i].0 - window[i - 1].0).max(0.5);
        if slope_before < -0.08 {
            from = i;
            break;
        }
    }
    let run = &window[from..];
    let hold = Scenario::unplanned(mean_recent, mean_recent, 45.0, 0.8, 60.0);
    if run.len() < 4 || run[run.len() - 1].0 - run[0].0 < 6.0 {
        return Scenario { sd_c: 1.5, ..hold };
    }
    let noise = 0.2f64;
    let (mut total, mut sum, mut square, mut tau_sum, mut now_sum) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut rows = Vec::new();
    for tau in [25.0, 35.0, 45.0, 60.0, 80.0f64] {
        // T = P + a q, q = e^(-(t - now)/tau) scaled to 1 now; P has a prior about the present.
        let (mut s11, mut s12, mut s22, mut b1, mut b2, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        // Neighbouring readings share their error: none counts for more than one in three minutes.
        let weight = (run[run.len() - 1].0 - run[0].0) / 3.0 / run.len() as f64;
        let w = weight.min(1.0) / (noise * noise);
        for &(t, c) in run {
            let q = (-(t - now) / tau).exp();
            let y = c - mean_recent;
            s11 += w;
            s12 += w * q;
            s22 += w * q * q;
            b1 += w * y;
            b2 += w * q * y;
            yy += w * y * y;
        }
        // Priors: the plateau within 3 °C of where it is expected; the amplitude free.
        let (p_mean, p_sd) = (towards_c, 3.0f64);
        s11 += 1.0 / (p_sd * p_sd);
        b1 += p_mean / (p_sd * p_sd);
        s22 += 1e-3;
        let det = s11 * s22 - s12 * s12;
        if !(det > 1e-12) {
            continue;
        }
        let plateau = (s22 * b1 - s12 * b2) / det;
        let amplitude = (s11 * b2 - s12 * b1) / det;
        let ln_l = -0.5 * (yy - plateau * b1 - amplitude * b2) - 0.5 * det.ln();
        rows.push((ln_l, plateau, s22 / det, tau, plateau + amplitude));
    }
    let top = rows.iter().map(|r| r.0).fold(f64::NEG_INFINITY, f64::max);
    for (l, plateau, variance, tau, here) in rows {
        let w = (l - top).exp();
        total += w;
        sum += w * plateau;
        square += w * (plateau * plateau + variance);
        tau_sum += w * tau;
        now_sum += w * here;
    }
    if !(total > 0.0) {
        return hold;
    }
    let plateau = (sum / total).clamp(-6.0, 10.0);
    let sd = (square / total - (sum / total).powi(2)).max(0.0).sqrt();
    Scenario::unplanned(
        mean_recent + (now_sum / total).clamp(-1.5, 1.5),
        mean_recent + plateau,
        (tau_sum / total).clamp(10.0, 200.0),
        sd.clamp(0.5, 3.0).hypot(0.4),
        60.0,
    )
}
