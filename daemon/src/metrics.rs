//! Counters for `/metrics`; a drop always has a count and a reason.

use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::{counter::Counter, family::Family, gauge::Gauge};
use prometheus_client::registry::Registry;

/// Why something was dropped or set aside.
#[derive(Clone, Debug, Hash, PartialEq, Eq, EncodeLabelSet)]
pub struct Reason {
    /// One word.
    pub reason: &'static str,
}

/// The daemon's counters.
#[derive(Debug)]
pub struct Metrics {
    /// Messages taken from a broker.
    pub messages: Counter,
    /// Readings stored.
    pub stored: Counter,
    /// Commits of readings.
    pub commits: Counter,
    /// Readings that were there already.
    pub duplicates: Counter,
    /// Readings kept out of the model, by reason.
    pub kept_out: Family<Reason, Counter>,
    /// Messages set aside (acknowledged, not stored), by reason.
    pub set_aside: Family<Reason, Counter>,
    /// Alerts raised, by rule.
    pub alerts: Family<Reason, Counter>,
    /// Messages to channels that failed for good, by channel.
    pub undelivered: Family<Reason, Counter>,
    /// Connections made to the broker.
    pub connects: Counter,
    /// Points waiting for the InfluxDB copy.
    pub copy_waiting: Gauge,
    /// Age of the newest nightly copy, s; -1: there is none.
    pub nightly_age_s: Gauge,
    /// 1 while the nightly copy fails.
    pub nightly_failing: Gauge,
    /// Seconds since the time of the reading that has waited longest for the copy; 0: none waits.
    pub copy_oldest_age: Gauge,
    /// Seconds since every try of the copy has failed; 0: it goes well.
    pub copy_failing: Gauge,
    /// Readings dropped from the copy because its queue was full.
    pub copy_dropped: Gauge,
    /// Readings the server of the copy would not take.
    pub copy_refused: Gauge,
    /// Readings the copy has sent.
    pub copy_sent: Gauge,
    /// What `/metrics` prints.
    pub registry: Registry,
}

impl Default for Metrics {
    fn default() -> Self {
        let mut registry = Registry::with_prefix("doughwarden");
        let messages = Counter::default();
        let stored = Counter::default();
        let commits = Counter::default();
        let duplicates = Counter::default();
        let kept_out = Family::default();
        let set_aside = Family::default();
        let alerts = Family::default();
        let undelivered = Family::default();
        let connects = Counter::default();
        let copy_waiting = Gauge::default();
        let copy: [Gauge; 5] = Default::default();
        registry.register("messages", "Messages taken from a broker", messages.clone());
        registry.register("readings_stored", "Readings stored", stored.clone());
        registry.register("commits", "Commits of readings", commits.clone());
        registry.register(
            "readings_again",
            "Readings that were there already",
            duplicates.clone(),
        );
        registry.register(
            "readings_kept_out",
            "Readings kept out of the model",
            kept_out.clone(),
        );
        registry.register(
            "messages_set_aside",
            "Messages set aside and acknowledged",
            set_aside.clone(),
        );
        registry.register("alerts_raised", "Alerts raised", alerts.clone());
        registry.register(
            "alerts_undelivered",
            "Messages a channel never took",
            undelivered.clone(),
        );
        registry.register(
            "broker_connects",
            "Connections made to the broker",
            connects.clone(),
        );
        registry.register(
            "copy_waiting",
            "Points waiting for the InfluxDB copy",
            copy_waiting.clone(),
        );
        let nightly_age_s = Gauge::default();
        nightly_age_s.set(-1);
        let nightly_failing = Gauge::default();
        registry.register(
            "nightly_copy_age_seconds",
            "Age of the newest nightly copy of the store; -1: there is none",
            nightly_age_s.clone(),
        );
        registry.register(
            "nightly_copy_failing",
            "1 while the nightly copy of the store fails",
            nightly_failing.clone(),
        );
        for (gauge, (name, help)) in copy.iter().zip([
            (
                "copy_oldest_age_seconds",
                "Age of the reading that has waited longest for the InfluxDB copy",
            ),
            (
                "copy_failing_seconds",
                "How long every try of the InfluxDB copy has failed",
            ),
            (
                "copy_dropped",
                "Readings dropped from the InfluxDB copy because its queue was full",
            ),
            (
                "copy_refused",
                "Readings that InfluxDB would not take, since the start",
            ),
            ("copy_sent", "Readings sent to InfluxDB, since the start"),
        ]) {
            registry.register(name, help, gauge.clone());
        }
        let [
            copy_oldest_age,
            copy_failing,
            copy_dropped,
            copy_refused,
            copy_sent,
        ] = copy;
        Self {
            messages,
            stored,
            commits,
            duplicates,
            kept_out,
            set_aside,
            alerts,
            undelivered,
            connects,
            copy_waiting,
            nightly_age_s,
            nightly_failing,
            copy_oldest_age,
            copy_failing,
            copy_dropped,
            copy_refused,
            copy_sent,
            registry,
        }
    }
}

impl Metrics {
    /// Brings the copy's gauges to how it stands.
    pub fn measure_copy(&self, copy: &crate::copy::Standing, now: crate::time::UtcMs) {
        let set = |gauge: &Gauge, n: u64| gauge.set(i64::try_from(n).unwrap_or(i64::MAX));
        let since = |at: Option<crate::time::UtcMs>| {
            at.map_or(0, |at| now.seconds_since(at).max(0.0).round() as u64)
        };
        set(&self.copy_oldest_age, since(copy.oldest));
        set(&self.copy_failing, since(copy.failing_since));
        set(&self.copy_dropped, copy.dropped);
        set(&self.copy_refused, copy.refused);
        set(&self.copy_sent, copy.sent);
    }
}
