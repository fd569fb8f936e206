//! The store's file in a user's hands: back-up beside a running daemon, a SIGKILL, a damaged file,
//! check, repair, restore, each by the program's own commands.

// Tests run on the machine's own clock.
#![allow(clippy::disallowed_methods, clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};

use doughwarden_tests::harness::{Daemon, doughwarden, tls};
use serde_json::{Value, json};

const FILE: &str = "doughwarden.db";

struct Kitchen {
    dir: tempfile::TempDir,
    config: String,
}

impl Kitchen {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let config = dir.path().join("kitchen.toml");
        std::fs::write(
            &config,
            "[http]\nlisten = \"127.0.0.1:0\"\n[mqtt]\nlisten = \"127.0.0.1:0\"\n",
        )
        .unwrap();
        let config = config.to_str().unwrap().to_owned();
        Self { dir, config }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn daemon(&self, data: &Path) -> Daemon {
        let data = data.to_str().unwrap();
        Daemon::start(&["run", "--config", &self.config, "--data", data]).unwrap()
    }
}

/// Runs `store …` on a data directory: exit code, standard output, standard error.
fn store(data: &Path, args: &[&str]) -> (Option<i32>, String, String) {
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
    let kitchen = Kitchen::new();
    let (data, copy) = (kitchen.path("data"), kitchen.path("copy.db"));
    let copy = copy.to_str().unwrap();
    let daemon = kitchen.daemon(&data);
    daemon
        .records(&[
            json!({"record":"place","name":"box","kind":"box"}),
            json!({"record":"dough","name":"saffron plait"}),
        ])
        .await
        .unwrap();
    daemon.records(&readings(0, 4_000)).await.unwrap();

    // Beside the running daemon.
    let said = well(store(&data, &["back-up", copy]));
    assert!(said.contains("sound"), "{said}");
    assert!(refused(store(&data, &["back-up", copy])).contains("--replace"));
    well(store(&data, &["check", copy]));
    well(store(&data, &["check"]));
    assert!(refused(store(&data, &["restore", copy])).contains("stop it first"));
    assert!(refused(store(&data, &["repair"])).contains("stop it first"));
    let nowhere = kitchen.path("no such folder/copy.db");
    assert!(refused(store(&data, &["back-up", nowhere.to_str().unwrap()])).contains("no such"));

    daemon.records(&readings(4_000, 6_000)).await.unwrap();
    daemon.kill();
    well(store(&data, &["check"]));
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
    let error = refused(store(&data, &["check"]));
    assert!(
        error.contains("damaged") && error.contains("repair"),
        "{error}"
    );
    let sound = kitchen.path("sound.db");
    well(store(&data, &["repair", "--into", sound.to_str().unwrap()]));
    well(store(&data, &["check", sound.to_str().unwrap()]));
    let said = well(store(&data, &["repair"]));
    assert!(said.contains("doughwarden.db.damaged"), "{said}");
    well(store(&data, &["check"]));
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
    let daemon = kitchen.daemon(&data);
    daemon.records(&readings(6_000, 6_100)).await.unwrap();
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    assert_eq!(lines(&data).len(), kept.len() + 100);

    let said = well(store(&data, &["restore", copy]));
    assert!(said.contains("before-restore"), "{said}");
    let back = lines(&data);
    assert_eq!(back.len(), 4_002);
    assert!(back.is_subset(&all));
    // Nothing of what was there is gone.
    let aside = data.join(format!("{FILE}.before-restore"));
    well(store(&data, &["check", aside.to_str().unwrap()]));
    // And to a new place.
    let moved = kitchen.path("moved");
    well(store(&moved, &["restore", copy]));
    assert_eq!(lines(&moved), back);
}

#[test]
fn what_is_no_store_is_refused_in_one_line() {
    let kitchen = Kitchen::new();
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
        refused(store(&data, &args));
    }
    assert!(!data.join(FILE).exists());
    let (code, ..) = store(&data, &["repair", text]);
    assert_eq!(code, Some(2), "--into is missing");
}
