//! Hysteresis in time: a condition counts only after it has held for a while, and stops counting
//! only after its opposite has.

use std::collections::BTreeMap;

use super::Open;
use crate::batches::record::StageKind;
use crate::time::UtcMs;
use crate::watch::world::{Proof, World};

/// A yes or no that does not flap.
#[derive(Clone, Copy, Debug, Default)]
pub struct Hold {
    /// Whether it counts.
    pub on: bool,
    /// When the stretch that made it count began.
    pub began: UtcMs,
    turning_since: Option<UtcMs>,
}

/// How long before it counts, and before it stops counting.
#[derive(Clone, Copy, Debug)]
pub struct Patience {
    /// Before it counts, ms.
    pub on_ms: i64,
    /// Before it stops counting, ms.
    pub off_ms: i64,
}

impl Hold {
    /// One that counts already (after a restart).
    #[must_use]
    pub fn counting(began: UtcMs) -> Self {
        Self {
            on: true,
            began,
            turning_since: None,
        }
    }

    /// Looks at the condition at a moment: `yes` speaks for it, `no` against it; between the two
    /// levels neither does, and whatever was turning stops turning.
    pub fn look(&mut self, at: UtcMs, yes: bool, no: bool, patience: Patience) {
        let (turning, needed_ms) = if self.on {
            (no, patience.off_ms)
        } else {
            (yes, patience.on_ms)
        };
        if !turning {
            self.turning_since = None;
            return;
        }
        // A clock that was set back starts the wait again.
        let since = self.turning_since.map_or(at, |since| since.min(at));
        self.turning_since = Some(since);
        if at.0.saturating_sub(since.0) >= needed_ms {
            self.on = !self.on;
            self.turning_since = None;
            if self.on {
                self.began = since;
            }
        }
    }
}

/// One [`Hold`] for each stage in progress.
#[derive(Debug, Default)]
pub struct StageHolds(BTreeMap<(String, StageKind), Hold>);

impl StageHolds {
    /// Looks at every stage in progress: `judge` says what speaks for and against the condition,
    /// or nothing where it cannot tell. Stages that are over are forgotten.
    pub fn look(
        &mut self,
        world: &World,
        patience: Patience,
        judge: impl Fn(&Proof<'_>) -> Option<(bool, bool)>,
    ) {
        let proofs = world.proofs();
        self.0
            .retain(|key, _| proofs.iter().any(|p| p.key() == *key));
        for proof in &proofs {
            if let Some((yes, no)) = judge(proof) {
                let hold = self.0.entry(proof.key()).or_default();
                hold.look(world.now, yes, no, patience);
            }
        }
    }

    /// The stages for which it counts.
    #[must_use]
    pub fn on<'a>(&self, world: &'a World) -> Vec<(Proof<'a>, Hold)> {
        world
            .proofs()
            .into_iter()
            .filter_map(|p| {
                let hold = self.0.get(&p.key()).filter(|h| h.on)?;
                Some((p, *hold))
            })
            .collect()
    }

    /// Begins anew with a stage.
    pub fn forget(&mut self, stage: &(String, StageKind)) {
        self.0.remove(stage);
    }

    /// Goes on with one that counted before a restart.
    pub fn resume(&mut self, open: &Open<'_>) {
        if let Some(key) = open.subject.batch_stage() {
            self.0.insert(key, Hold::counting(open.raised));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PATIENCE: Patience = Patience {
        on_ms: 120_000,
        off_ms: 300_000,
    };

    #[test]
    fn crossing_every_half_minute_never_counts() {
        let mut hold = Hold::default();
        for k in 0..120 {
            let high = k % 2 == 0;
            hold.look(UtcMs(k * 30_000), high, !high, PATIENCE);
            assert!(!hold.on);
        }
    }

    #[test]
    fn it_counts_after_two_minutes_and_stops_after_five() {
        let mut hold = Hold::default();
        for second in 0..120 {
            hold.look(UtcMs(second * 1000), true, false, PATIENCE);
            assert!(!hold.on);
        }
        hold.look(UtcMs(120_000), true, false, PATIENCE);
        assert!(hold.on);
        assert_eq!(hold.began, UtcMs(0));
        hold.look(UtcMs(200_000), false, true, PATIENCE);
        // Between the levels: the wait for "off" starts again.
        hold.look(UtcMs(400_000), false, false, PATIENCE);
        hold.look(UtcMs(401_000), false, true, PATIENCE);
        hold.look(UtcMs(600_000), false, true, PATIENCE);
        assert!(hold.on);
        hold.look(UtcMs(701_000), false, true, PATIENCE);
        assert!(!hold.on);
    }
}
