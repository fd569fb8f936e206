//! A store of an earlier version brought up to this one, and killed on the way.

// Tests run on the machine's own clock.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use doughwarden::store::sqlite::SCHEMA;
use doughwarden_tests::harness::{Kitchen, binary, tls};
use doughwarden_tests::store::{exported, multiply, store_command, well};
use rand::{RngExt as _, SeedableRng as _};
use rusqlite::Connection;
use rusqlite::types::ValueRef;

const FILE: &str = "doughwarden.db";

/// Readings in the store that is brought up, and packets: the readings make its copy last, the packets
/// the step that goes through them.
const GROWN: i64 = 400_000;
/// Kills at each version, half of them once the copy is made; `KILLS=100` for the long form.
const KILLS: u32 = 6;

/// Stores as earlier versions of the program left them, frozen.
fn earlier() -> Vec<(i64, String)> {
    let frozen = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../daemon/src/store/sqlite/fixtures"
    );
    (1..SCHEMA)
        .map(|version| {
            let file = format!("{frozen}/schema_{version}.sql");
            (version, std::fs::read_to_string(&file).expect(&file))
        })
        .collect()
}

/// The frozen store with many more readings and packets, in a file of its own.
fn grown(sql: &str, file: &Path) {
    let store = Connection::open(file).unwrap();
    store.execute_batch(sql).unwrap();
    // One transaction, and steps that meet none of the readings there.
    store.execute_batch("BEGIN").unwrap();
    multiply(&store, "reading", "time", 9_973, GROWN);
    multiply(&store, "packet", "id", 1, GROWN);
    store
        .execute_batch(
            "UPDATE series SET count = (SELECT count(*) FROM reading WHERE series = series.id); COMMIT",
        )
        .unwrap();
}

/// Of a series: its number, how many readings, the sums of their times of day (ms) and of their values.
type Sums = (i64, i64, i64, f64);

/// How many packets, and the sum of their digests. From schema 3 on a row holds many.
fn packets(store: &Connection, version: i64) -> (usize, u64) {
    let column = if version < 3 { "digest" } else { "digests" };
    let mut query = store
        .prepare(&format!("SELECT {column} FROM packet"))
        .unwrap();
    let mut rows = query.query([]).unwrap();
    let mut all = Vec::new();
    while let Some(row) = rows.next().unwrap() {
        match row.get_ref(0).unwrap() {
            ValueRef::Integer(digest) => all.push(digest.cast_unsigned()),
            ValueRef::Blob(digests) => all.extend(
                digests
                    .as_chunks()
                    .0
                    .iter()
                    .map(|digest| u64::from_be_bytes(*digest))
                    .filter(|digest| *digest != 0),
            ),
            other => panic!("a packet's digest is {other:?}"),
        }
    }
    let sum = all
        .iter()
        .fold(0, |sum: u64, digest| sum.wrapping_add(*digest));
    (all.len(), sum)
}

/// What must be the same before and after: version, readings, packets.
fn held(file: &Path) -> (i64, Vec<Sums>, (usize, u64)) {
    let store = Connection::open(file).unwrap();
    let version = store
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .unwrap();
    let readings = store
        .prepare("SELECT series, count(*), sum(time % 86400000), sum(value) FROM reading GROUP BY series ORDER BY series")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))
        .unwrap()
        .collect::<rusqlite::Result<_>>()
        .unwrap();
    (version, readings, packets(&store, version))
}

/// A SIGKILL at seeded moments while a daemon brings an older store up to its version: what is found
/// after is the old version whole or the new one whole, the next start finishes it, and the copy taken
/// before is a store of the version it was.
#[tokio::test(flavor = "multi_thread")]
async fn a_kill_while_a_store_is_brought_up_costs_nothing() {
    tls();
    let kills = std::env::var("KILLS").ok().and_then(|n| n.parse().ok());
    let kills: u32 = kills.unwrap_or(KILLS);
    let kitchen = Kitchen::new("").unwrap();
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(20);
    for (version, sql) in earlier() {
        let old = kitchen.path("old.db");
        let _ = std::fs::remove_file(&old);
        grown(&sql, &old);
        let before = held(&old);
        assert_eq!(before.0, version);
        // Once to the end: the whole book to compare with, and how long each part takes.
        let whole = kitchen.path(&format!("whole-{version}"));
        let up = Up::begin(&kitchen, &old, &whole);
        let copied = up.copied();
        let took = up.done();
        assert!(copied < took, "no step after the copy took any time");
        let book = exported(&whole);
        println!(
            "from {version} to {SCHEMA}: the copy took {} ms, all of it {} ms",
            copied.as_millis(),
            took.as_millis()
        );

        let (mut old_found, mut new_found) = (0, 0);
        for n in 0..kills {
            let data = kitchen.path(&format!("killed-{version}-{n}"));
            let up = Up::begin(&kitchen, &old, &data);
            let share: f64 = random.random_range(0.0..1.0);
            if n % 2 == 0 {
                up.kill_after(copied.mul_f64(share));
            } else {
                up.copied();
                let moment = up.began.elapsed() + (took - copied).mul_f64(share);
                up.kill_after(moment);
            }
            let file = data.join(FILE);
            // Looked at in a copy, so that what the kill left is not mended by looking.
            let left = kitchen.path("left.db");
            for ending in ["", "-wal"] {
                let (from, to) = (beside(&file, ending), beside(&left, ending));
                let _ = std::fs::remove_file(&to);
                if from.exists() {
                    std::fs::copy(&from, &to).unwrap();
                }
            }
            let found = held(&left);
            assert_eq!(found.1, before.1, "kill {n}");
            // Brought up, the first upkeep may have been made too: the packets are old enough to go.
            let forgotten = found.0 == SCHEMA && found.2 == (0, 0);
            assert!(found.2 == before.2 || forgotten, "kill {n}: {:?}", found.2);
            match found.0 {
                v if v == version => old_found += 1,
                v if v == SCHEMA => new_found += 1,
                between => panic!("kill {n} left version {between}"),
            }
            if found.0 == version {
                // The older program could go on with it: nothing of the new version is in it.
                let schema = |file: &Path| -> Vec<String> {
                    let store = Connection::open(file).unwrap();
                    store
                        .prepare(
                            "SELECT sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY name",
                        )
                        .unwrap()
                        .query_map([], |row| row.get(0))
                        .unwrap()
                        .collect::<rusqlite::Result<_>>()
                        .unwrap()
                };
                assert_eq!(schema(&left), schema(&old), "kill {n}");
            }
            let daemon = kitchen.start_on(&data).unwrap();
            assert_eq!(daemon.terminate().unwrap(), Some(0));
            well(store_command(&data, &["check"]));
            let after = held(&file);
            assert_eq!((after.0, &after.1), (SCHEMA, &before.1), "kill {n}");
            assert!(exported(&data) == book, "kill {n}: another log book");
            // The copy is sound, of the version before, and can be put back.
            let copy = beside(&file, &format!(".before-{SCHEMA}"));
            assert_eq!(held(&copy), before, "kill {n}");
            assert!(!beside(&copy, ".part").exists());
            if n < 2 {
                let back = kitchen.path(&format!("back-{version}-{n}"));
                well(store_command(&back, &["restore", copy.to_str().unwrap()]));
                let daemon = kitchen.start_on(&back).unwrap();
                assert_eq!(daemon.terminate().unwrap(), Some(0));
                assert!(
                    exported(&back) == book,
                    "kill {n}: the copy is another log book"
                );
            }
            std::fs::remove_dir_all(&data).unwrap();
        }
        println!("{kills} kills: {old_found} left version {version}, {new_found} version {SCHEMA}");
        assert!(old_found > 0, "no kill came in time");
    }
}

fn beside(file: &Path, ending: &str) -> PathBuf {
    PathBuf::from(format!("{}{ending}", file.display()))
}

/// A daemon that is bringing a store up.
struct Up {
    child: std::process::Child,
    began: Instant,
    copy: PathBuf,
}

impl Drop for Up {
    fn drop(&mut self) {
        // It has ended, unless the test stopped half-way.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Up {
    /// Begins on a copy of the old store.
    fn begin(kitchen: &Kitchen, old: &Path, data: &Path) -> Self {
        std::fs::create_dir_all(data).unwrap();
        let file = data.join(FILE);
        std::fs::copy(old, &file).unwrap();
        let child = Command::new(binary())
            .args(["run", "--config"])
            .arg(kitchen.config())
            .arg("--data")
            .arg(data)
            .env("RUST_LOG", "warn")
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        Self {
            child,
            began: Instant::now(),
            copy: beside(&file, &format!(".before-{SCHEMA}")),
        }
    }

    /// Waits until the copy has its name.
    fn copied(&self) -> Duration {
        while !self.copy.exists() {
            assert!(self.began.elapsed() < Duration::from_secs(60), "no copy");
            std::thread::sleep(Duration::from_micros(200));
        }
        self.began.elapsed()
    }

    /// Waits until it serves, and stops it.
    fn done(mut self) -> Duration {
        use std::io::BufRead as _;
        let out = self.child.stdout.take().unwrap();
        let ready = std::io::BufReader::new(out).lines().next();
        assert!(ready.unwrap().unwrap().starts_with("ready "));
        let took = self.began.elapsed();
        let pid = self.child.id().to_string();
        Command::new("kill").arg(pid).status().unwrap();
        assert!(self.child.wait().unwrap().success());
        took
    }

    fn kill_after(mut self, moment: Duration) {
        std::thread::sleep(moment.saturating_sub(self.began.elapsed()));
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}
