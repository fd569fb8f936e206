//! The store's file in a user's hands: back-up beside a running daemon, a SIGKILL, a damaged file,
//! check, repair, restore, each by the program's own commands.

// Tests run on the machine's own clock.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use doughwarden::store::sqlite::SCHEMA;
use doughwarden_tests::harness::{Kitchen, binary, doughwarden, tls, wait_for};
use rand::{RngExt as _, SeedableRng as _};
use rusqlite::Connection;
use rusqlite::types::ValueRef;
use serde_json::{Value, json};

const FILE: &str = "doughwarden.db";

/// Runs `store …` on a data directory: exit code, standard output, standard error.
fn store_command(data: &Path, args: &[&str]) -> (Option<i32>, String, String) {
    let all = [&["store"], args, &["--data", data.to_str().unwrap()]].concat();
    let out = doughwarden(&all);
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (out.status.code(), text(out.stdout), text(out.stderr))
}

fn well((code, out, err): (Option<i32>, String, String)) -> String {
    assert_eq!(code, Some(0), "{out}{err}");
    out
}

/// A failure is explained in exactly one line.
fn refused((code, out, err): (Option<i32>, String, String)) -> String {
    assert_eq!(code, Some(1), "{out}{err}");
    assert_eq!(err.lines().count(), 1, "{err}");
    err
}

fn readings(from: i64, to: i64) -> Vec<Value> {
    (from..to)
        .map(|n| {
            let time = jiff::Timestamp::from_second(1_767_225_600 + n * 10).unwrap();
            json!({"record":"reading","time":time.to_string(),"sensor":"box","quantity":"air_temperature",
                "value":20.0 + n as f64 / 1000.0,"unit":"Cel"})
        })
        .collect()
}

fn lines(data: &Path) -> BTreeSet<String> {
    let out = doughwarden(&["export", "--data", data.to_str().unwrap()]);
    assert!(out.status.success());
    let text = String::from_utf8(out.stdout).unwrap();
    text.lines().map(str::to_owned).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_kitchen_survives_a_kill_a_damaged_file_and_a_wrong_turn() {
    tls();
    let kitchen = Kitchen::new("").unwrap();
    let (data, copy) = (kitchen.path("data"), kitchen.path("copy.db"));
    let copy = copy.to_str().unwrap();
    let daemon = kitchen.start_on(&data).unwrap();
    daemon
        .records(&[
            json!({"record":"place","name":"box","kind":"box"}),
            json!({"record":"dough","name":"saffron plait"}),
        ])
        .await
        .unwrap();
    daemon.records(&readings(0, 4_000)).await.unwrap();

    // Beside the running daemon.
    let said = well(store_command(&data, &["back-up", copy]));
    assert!(said.contains("sound"), "{said}");
    assert!(refused(store_command(&data, &["back-up", copy])).contains("--replace"));
    well(store_command(&data, &["check", copy]));
    well(store_command(&data, &["check"]));
    assert!(refused(store_command(&data, &["restore", copy])).contains("stop it first"));
    assert!(refused(store_command(&data, &["repair"])).contains("stop it first"));
    let nowhere = kitchen.path("no such folder/copy.db");
    assert!(
        refused(store_command(
            &data,
            &["back-up", nowhere.to_str().unwrap()]
        ))
        .contains("no such")
    );

    daemon.records(&readings(4_000, 6_000)).await.unwrap();
    daemon.kill();
    well(store_command(&data, &["check"]));
    let all = lines(&data);
    assert_eq!(all.len(), 6_002);

    // Every page but the first three damaged in turn would take long: some in the middle.
    let file = data.join(FILE);
    let size = std::fs::metadata(&file).unwrap().len();
    let damaged = std::fs::File::options().write(true).open(&file).unwrap();
    for share in [0.5, 0.8] {
        let page = (size as f64 / 4096.0 * share) as u64;
        damaged.write_all_at(&[0xa5; 4096], page * 4096).unwrap();
    }
    let error = refused(store_command(&data, &["check"]));
    assert!(
        error.contains("damaged") && error.contains("repair"),
        "{error}"
    );
    let sound = kitchen.path("sound.db");
    well(store_command(
        &data,
        &["repair", "--into", sound.to_str().unwrap()],
    ));
    well(store_command(&data, &["check", sound.to_str().unwrap()]));
    let said = well(store_command(&data, &["repair"]));
    assert!(said.contains("doughwarden.db.damaged"), "{said}");
    well(store_command(&data, &["check"]));
    let kept = lines(&data);
    assert!(kept.is_subset(&all));
    // Two pages of 4 KiB hold at most some 300 readings.
    assert!(
        kept.len() > all.len() - 300,
        "{} of {}",
        kept.len(),
        all.len()
    );
    assert!(kept.len() < all.len(), "nothing was damaged");
    // A store like any other.
    let daemon = kitchen.start_on(&data).unwrap();
    daemon.records(&readings(6_000, 6_100)).await.unwrap();
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    assert_eq!(lines(&data).len(), kept.len() + 100);

    let said = well(store_command(&data, &["restore", copy]));
    assert!(said.contains("before-restore"), "{said}");
    let back = lines(&data);
    assert_eq!(back.len(), 4_002);
    assert!(back.is_subset(&all));
    // Nothing of what was there is gone.
    let aside = data.join(format!("{FILE}.before-restore"));
    well(store_command(&data, &["check", aside.to_str().unwrap()]));
    // And to a new place.
    let moved = kitchen.path("moved");
    well(store_command(&moved, &["restore", copy]));
    assert_eq!(lines(&moved), back);
}

#[test]
fn what_is_no_store_is_refused_in_one_line() {
    let kitchen = Kitchen::new("").unwrap();
    let (data, text) = (kitchen.path("data"), kitchen.path("text"));
    std::fs::write(&text, "flour, water, salt").unwrap();
    let text = text.to_str().unwrap();
    for args in [
        vec!["back-up", text],
        vec!["check"],
        vec!["check", text],
        vec!["check", "/no/such/file"],
        vec!["repair"],
        vec!["repair", text, "--into", "/tmp/never"],
        vec!["restore", text],
        vec!["restore", "/no/such/file"],
    ] {
        refused(store_command(&data, &args));
    }
    assert!(!data.join(FILE).exists());
    let (code, ..) = store_command(&data, &["repair", text]);
    assert_eq!(code, Some(2), "--into is missing");
}

/// The nightly copy as a baker and a script see it: on the settings page, over HTTP, in the counters;
/// made at the first start, on request, and said to fail when its folder is gone.
#[tokio::test(flavor = "multi_thread")]
async fn the_nightly_copy_shows_its_age_and_its_failure() {
    tls();
    let elsewhere = tempfile::tempdir().unwrap();
    let second = elsewhere.path().join("second place");
    std::fs::create_dir(&second).unwrap();
    let kitchen = Kitchen::new(&format!(
        "[store]\nnightly_folder = \"{}\"\nnightly_keep = 2\n",
        second.display()
    ))
    .unwrap();
    let data = kitchen.path("data");
    let daemon = kitchen.start_on(&data).unwrap();
    daemon.records(&readings(0, 500)).await.unwrap();
    wait_for("the first copy", Duration::from_secs(60), || async {
        let store = daemon.get("/api/v1/store").await.ok()?;
        (store["nightly"]["copies"] == 1).then_some(())
    })
    .await
    .unwrap();
    let text = |path: &'static str| {
        let url = format!("{}{path}", daemon.http);
        async move { reqwest::get(url).await.unwrap().text().await.unwrap() }
    };
    let client = reqwest::Client::new();
    let post = |path: &str| {
        let request = client.post(format!("{}{path}", daemon.http));
        async move {
            let answer = request.send().await.unwrap();
            (answer.status().as_u16(), answer.text().await.unwrap())
        }
    };
    let store = daemon.get("/api/v1/store").await.unwrap();
    assert_eq!(store["nightly"]["too_old"], false);
    assert_eq!(store["nightly"]["same_disk"], true);
    assert!(store["nightly"]["age_s"].as_i64().unwrap() < 600);
    assert!(store["bytes"].as_u64().unwrap() > 4096);
    let counters = text("/metrics").await;
    assert!(
        counters.contains("doughwarden_nightly_copy_age_seconds 0"),
        "{counters}"
    );
    let page = text("/settings").await;
    assert!(page.contains("Newest copy") && page.contains("second place"));
    assert!(page.contains("same disk"));

    let (code, answer) = post("/api/v1/store/check").await;
    assert!(code == 200 && answer.contains("\"sound\":true"), "{answer}");
    let (code, answer) = post("/api/v1/store/back-up").await;
    assert_eq!(code, 200, "{answer}");
    let newest = std::fs::read_dir(&second)
        .unwrap()
        .map(|e| e.unwrap().path())
        .max()
        .unwrap();
    let moved = kitchen.path("moved");
    well(store_command(
        &moved,
        &["restore", newest.to_str().unwrap()],
    ));
    assert_eq!(lines(&moved).len(), 500);

    std::fs::rename(&second, elsewhere.path().join("pulled out")).unwrap();
    let (code, answer) = post("/api/v1/store/back-up").await;
    assert!(
        code == 409 && answer.contains("plugged in"),
        "{code} {answer}"
    );
    assert!(text("/settings").await.contains("The last try failed"));
    assert!(!second.exists());
    assert_eq!(daemon.terminate().unwrap(), Some(0));
}

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

/// Copies a table's first row so often, `key` counted on, past rows that are there; whatever columns that
/// version has.
fn multiply(store: &Connection, table: &str, key: &str, step: i64, times: i64) {
    let columns: Vec<String> = store
        .prepare(&format!("PRAGMA table_info({table})"))
        .unwrap()
        .query_map([], |row| row.get(1))
        .unwrap()
        .collect::<rusqlite::Result<_>>()
        .unwrap();
    let counted = |c: &String| format!("{c} + n * {step}");
    let values: Vec<String> = columns
        .iter()
        .map(|c| if c == key { counted(c) } else { c.clone() })
        .collect();
    store
        .execute_batch(&format!(
            "WITH RECURSIVE counted (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM counted WHERE n < {times})
             INSERT OR IGNORE INTO {table} ({}) SELECT {} FROM counted, (SELECT * FROM {table} LIMIT 1)",
            columns.join(", "),
            values.join(", ")
        ))
        .unwrap();
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
        let exported = lines(&whole);
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
            assert!(lines(&data) == exported, "kill {n}: another log book");
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
                    lines(&back) == exported,
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

/// Readings in the store that is repaired: with one every 10 s, a sensor's month; and in the long form,
/// `DOUGHWARDEN_FULL=1`, its year.
const MONTH: i64 = 300_000;
const YEAR: i64 = 3_000_000;
/// What a repair may take of a small computer's memory, KiB; a year's store is some 100 MiB.
const MEMORY_KIB: u64 = 48 * 1024;

/// Many readings with damaged pages among them are repaired row by row: memory does not grow with the
/// store.
#[test]
fn many_readings_are_repaired_in_bounded_memory() {
    let full = std::env::var_os("DOUGHWARDEN_FULL").is_some();
    let many = if full { YEAR } else { MONTH };
    let kitchen = Kitchen::new("").unwrap();
    let data = kitchen.data();
    let first = json!({"record":"reading","time":"2025-01-01T00:00:00Z","sensor":"box","quantity":"air_temperature","value":21.5,"unit":"Cel"});
    let book = kitchen.path("book.jsonl");
    std::fs::write(&book, format!("{first}\n")).unwrap();
    let book = book.to_str().unwrap();
    let out = doughwarden(&["import", book, "--data", data.to_str().unwrap()]);
    assert!(out.status.success());
    let file = data.join(FILE);
    let store = Connection::open(&file).unwrap();
    store.pragma_update(None, "synchronous", false).unwrap();
    multiply(&store, "reading", "time", 10_000, many - 1);
    store
        .execute("UPDATE series SET count = ?1", [many])
        .unwrap();
    drop(store);
    let pages = std::fs::metadata(&file).unwrap().len() / 4096;
    let damaged = std::fs::File::options().write(true).open(&file).unwrap();
    for share in [3, 5, 7] {
        damaged
            .write_all_at(&[0xa5; 4096], pages * share / 10 * 4096)
            .unwrap();
    }
    drop(damaged);
    refused(store_command(&data, &["check"]));

    let began = Instant::now();
    let mut child = Command::new(binary())
        .args(["store", "repair", "--data"])
        .arg(&data)
        .env("RUST_LOG", "warn")
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let mut peak = 0;
    let status = loop {
        // The peak as the system counts it ("VmHWM", proc(5)); the last look before the end counts.
        let status = std::fs::read_to_string(format!("/proc/{}/status", child.id()));
        let line = status.iter().flat_map(|s| s.lines());
        if let Some(line) = line.clone().find(|l| l.starts_with("VmHWM:")) {
            peak = line.split_whitespace().nth(1).unwrap().parse().unwrap();
        }
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    assert!(status.success());
    well(store_command(&data, &["check"]));
    let store = Connection::open(&file).unwrap();
    let (rows, counted): (i64, i64) = store
        .query_row(
            "SELECT (SELECT count(*) FROM reading), (SELECT sum(count) FROM series)",
            [],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .unwrap();
    println!(
        "{rows} of {many} readings kept in {:.1} s, {} MiB at most",
        began.elapsed().as_secs_f64(),
        peak / 1024
    );
    // A page of 4 KiB holds at most some 150 readings.
    assert!(rows < many && rows > many - 450, "{rows} kept");
    assert_eq!(rows, counted);
    assert!((1..MEMORY_KIB).contains(&peak), "{peak} KiB");
}
