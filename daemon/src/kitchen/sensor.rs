//! Simulated sensors: slow to follow, noisy, in steps, sometimes silent, on a battery that runs down.

use super::chance::Chance;

/// How a sensor measures and sends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Habit {
    /// Sends so often, s.
    pub interval_s: f64,
    /// Follows the truth in so many seconds (1/e is missing).
    pub lag_s: f64,
    /// Shows so much too high.
    pub offset: f64,
    /// Noise of one reading (sd).
    pub noise_sd: f64,
    /// Steps in which it shows its value; 0: none.
    pub step: f64,
    /// Probability that one message is lost.
    pub lost: f64,
    /// Probability that it falls silent at one message …
    pub falls_silent: f64,
    /// … for so long, s.
    pub silent_for_s: f64,
}

impl Default for Habit {
    /// A digital thermometer in free air: steps of 1/16 °C.
    fn default() -> Self {
        Self {
            interval_s: 30.0,
            lag_s: 25.0,
            offset: 0.0,
            noise_sd: 0.06,
            step: 0.0625,
            lost: 0.005,
            falls_silent: 0.0005,
            silent_for_s: 240.0,
        }
    }
}

/// A sensor at work.
#[derive(Clone, Debug)]
pub struct Simulated {
    /// Its habit.
    pub habit: Habit,
    /// Battery, %.
    pub battery_pct: f64,
    shows: Option<f64>,
    due_in_s: f64,
    chance: Chance,
}

/// What a battery loses in a day, %.
const BATTERY_A_DAY: f64 = 0.35;

impl Simulated {
    /// A sensor that sends first at some moment within its interval.
    pub fn new(habit: Habit, battery_pct: f64, mut chance: Chance) -> Self {
        Self {
            habit,
            battery_pct,
            shows: None,
            due_in_s: chance.between(0.0, habit.interval_s),
            chance,
        }
    }

    /// Carried in from somewhere else: it still shows what it was there.
    #[must_use]
    pub fn carried_from(mut self, value: f64) -> Self {
        self.shows = Some(value);
        self
    }

    /// Lets `dt_s` pass beside a true value. Gives what it sends, if it sends.
    pub fn step(&mut self, dt_s: f64, truth: f64) -> Option<f64> {
        let keeps = (-dt_s / self.habit.lag_s.max(1e-9)).exp();
        let shows = self.shows.map_or(truth, |s| truth + (s - truth) * keeps);
        self.shows = Some(shows);
        self.battery_pct = (self.battery_pct - BATTERY_A_DAY * dt_s / 86_400.0).max(0.0);
        self.due_in_s -= dt_s;
        if self.due_in_s > 0.0 {
            return None;
        }
        // A radio wakes when it wakes: a twentieth of its interval early or late.
        let jitter = self.habit.interval_s * self.chance.between(-0.05, 0.05);
        self.due_in_s += self.habit.interval_s + jitter;
        if self.chance.happens(self.habit.falls_silent) {
            self.due_in_s += self.habit.silent_for_s;
        }
        if self.chance.happens(self.habit.lost) {
            return None;
        }
        let value = shows + self.habit.offset + self.chance.normal(0.0, self.habit.noise_sd);
        Some(if self.habit.step > 0.0 {
            (value / self.habit.step).round() * self.habit.step
        } else {
            value
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sent(habit: Habit, seed: u64, hours: f64, truth: f64) -> Vec<f64> {
        let mut sensor = Simulated::new(habit, 90.0, Chance::from_seed(seed));
        (0..(hours * 720.0) as usize)
            .filter_map(|_| sensor.step(5.0, truth))
            .collect()
    }

    #[test]
    fn values_are_in_steps_about_the_truth() {
        let values = sent(Habit::default(), 1, 50.0, 24.03);
        assert!(values.iter().all(|v| (v / 0.0625).fract() == 0.0));
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        assert!((mean - 24.03).abs() < 0.01, "{mean}");
    }

    #[test]
    fn some_messages_are_lost() {
        let n = |lost, falls_silent| {
            let habit = Habit {
                lost,
                falls_silent,
                ..Habit::default()
            };
            sent(habit, 5, 100.0, 20.0).len()
        };
        let all = n(0.0, 0.0);
        assert!((11_900..=12_100).contains(&all), "{all}");
        // A tenth lost: 1200 give or take four binomial standard deviations (33 each).
        let lost = all - n(0.1, 0.0);
        assert!((1_070..=1_330).contains(&lost), "{lost}");
        assert!(n(0.0, 0.01) < all - 400);
    }

    /// First order: 63.2 % of a step after one lag.
    #[test]
    fn a_sensor_follows_a_step_in_its_own_time() {
        let habit = Habit {
            noise_sd: 0.0,
            step: 0.0,
            lost: 0.0,
            falls_silent: 0.0,
            lag_s: 60.0,
            interval_s: 1.0,
            ..Habit::default()
        };
        let mut sensor = Simulated::new(habit, 90.0, Chance::from_seed(2));
        sensor.step(1.0, 20.0);
        let last = (0..60)
            .filter_map(|_| sensor.step(1.0, 30.0))
            .last()
            .unwrap();
        assert!((last - 26.32).abs() < 0.2, "{last}");
    }

    #[test]
    fn the_same_seed_sends_the_same() {
        assert_eq!(
            sent(Habit::default(), 9, 3.0, 21.0),
            sent(Habit::default(), 9, 3.0, 21.0)
        );
        assert_ne!(
            sent(Habit::default(), 9, 3.0, 21.0),
            sent(Habit::default(), 8, 3.0, 21.0)
        );
    }
}
