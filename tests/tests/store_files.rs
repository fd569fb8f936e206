//! The store's file in a user's hands: back-up beside a running daemon, a SIGKILL, a damaged file,
//! check, repair, restore, each by the program's own commands.

// Tests run on the machine's own clock.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::os::unix::fs::FileExt as _;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use doughwarden_tests::harness::{Kitchen, binary, doughwarden, tls, wait_for};
use doughwarden_tests::store::{exported, multiply, store_command, well};
use rusqlite::Connection;
use serde_json::{Value, json};

const FILE: &str = "doughwarden.db";

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
    let all = exported(&data);
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
    let kept = exported(&data);
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
    assert_eq!(exported(&data).len(), kept.len() + 100);

    let said = well(store_command(&data, &["restore", copy]));
    assert!(said.contains("before-restore"), "{said}");
    let back = exported(&data);
    assert_eq!(back.len(), 4_002);
    assert!(back.is_subset(&all));
    // Nothing of what was there is gone.
    let aside = data.join(format!("{FILE}.before-restore"));
    well(store_command(&data, &["check", aside.to_str().unwrap()]));
    // And to a new place.
    let moved = kitchen.path("moved");
    well(store_command(&moved, &["restore", copy]));
    assert_eq!(exported(&moved), back);
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
    assert_eq!(exported(&moved).len(), 500);

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
