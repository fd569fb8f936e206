//! Every command of the contract: exit codes, one line for each error, one JSON document with
//! `--json`, and a log book that comes out as it went in.

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::io::Write as _;
use std::process::{Command, Stdio};
use std::time::Duration;

use doughwarden_tests::harness::{Daemon, binary, doughwarden, tls, wait_for};
use serde_json::{Value, json};

/// Seven bakes of one dough in a box, told as the contract's log book; the newest is in progress.
fn book() -> String {
    let mut lines = vec![
        json!({"record":"place","name":"box","kind":"box"}),
        json!({"record":"dough","name":"saffron plait","bulk":{"usual_min":95,"at":24,"target_rise":0.8},"final":{"usual_min":55,"at":25},"ceiling":29,"lead_min":{"bulk":10,"final":30},"caution":["egg","milk"]}),
    ];
    for day in 1..=7 {
        let id = format!("2026-plait-{day:02}");
        lines.push(json!({"record":"batch","id":id,"dough":"saffron plait","place":"box","pieces":2,"piece_mass_g":450,"formula":[
            {"ingredient":"wheat flour","mass_g":500},{"ingredient":"milk","mass_g":240},{"ingredient":"egg","mass_g":50},
            {"ingredient":"butter","mass_g":90},{"ingredient":"sugar","mass_g":80},{"ingredient":"salt","mass_g":8},{"ingredient":"instant yeast","mass_g":6}]}));
        let minutes = [92, 88, 97, 90, 101, 95][(day - 1) as usize % 6];
        let mut stage = json!({"record":"stage","batch":id,"stage":"bulk","start":format!("2026-02-{day:02}T06:00:00Z"),"dough_temperature":25});
        if day < 7 {
            stage["end"] = json!(format!(
                "2026-02-{day:02}T{:02}:{:02}:00Z",
                6 + minutes / 60,
                minutes % 60
            ));
            stage["outcome"] = json!("ready");
        }
        lines.push(stage);
        lines.push(json!({"record":"observation","batch":id,"time":format!("2026-02-{day:02}T06:50:00Z"),"kind":"rise","rise":0.4}));
        for minute in (0..100).step_by(5) {
            lines.push(json!({"record":"reading","time":format!("2026-02-{day:02}T{:02}:{:02}:00Z", 6 + minute / 60, minute % 60),
                "sensor":"box","quantity":"air_temperature","value":24.0 + f64::from(day) * 0.2,"unit":"Cel"}));
        }
    }
    lines
        .iter()
        .map(Value::to_string)
        .collect::<Vec<_>>()
        .join("\n")
        + "\n"
}

struct Kitchen {
    dir: tempfile::TempDir,
}

impl Kitchen {
    fn new() -> Self {
        Self {
            dir: tempfile::tempdir().unwrap(),
        }
    }

    fn data(&self) -> String {
        self.dir.path().join("data").to_str().unwrap().to_owned()
    }

    fn file(&self, name: &str, text: &str) -> String {
        let path = self.dir.path().join(name);
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    }

    fn with_book() -> Self {
        let kitchen = Self::new();
        let file = kitchen.file("book.jsonl", &book());
        let out = doughwarden(&["import", "--data", &kitchen.data(), &file]);
        assert!(
            out.status.success(),
            "{}",
            String::from_utf8_lossy(&out.stderr)
        );
        kitchen
    }

    fn json(&self, args: &[&str]) -> Value {
        let data = self.data();
        let out = doughwarden(&[args, &["--data", &data, "--json"]].concat());
        assert!(
            out.status.success(),
            "{args:?}: {}",
            String::from_utf8_lossy(&out.stderr)
        );
        serde_json::from_slice(&out.stdout).expect("one JSON document and nothing else")
    }
}

#[test]
fn help_is_there_for_every_command_and_wrong_usage_exits_2() {
    for command in [
        "run",
        "demo",
        "import",
        "export",
        "forecast",
        "calibrate",
        "calibrations",
        "backtest",
        "check",
    ] {
        let out = doughwarden(&[command, "--help"]);
        assert!(out.status.success() && !out.stdout.is_empty(), "{command}");
    }
    assert_eq!(doughwarden(&["forecast"]).status.code(), Some(2));
    assert_eq!(doughwarden(&["bake"]).status.code(), Some(2));
    assert_eq!(
        doughwarden(&["demo", "--data", "/tmp/x"]).status.code(),
        Some(2)
    );
}

#[test]
fn a_log_book_goes_out_as_it_came_in_byte_for_byte() {
    let kitchen = Kitchen::with_book();
    let first = doughwarden(&["export", "--data", &kitchen.data()]);
    assert!(first.status.success());
    let again = Kitchen::new();
    let file = again.file("first.jsonl", std::str::from_utf8(&first.stdout).unwrap());
    assert!(
        doughwarden(&["import", &file, "--data", &again.data()])
            .status
            .success()
    );
    let second = doughwarden(&["--data", &again.data(), "export"]);
    assert_eq!(
        String::from_utf8(first.stdout.clone()).unwrap(),
        String::from_utf8(second.stdout).unwrap()
    );
    // Twice changes nothing.
    assert!(
        doughwarden(&["import", &file, "--data", &again.data()])
            .status
            .success()
    );
    let third = doughwarden(&["--data", &again.data(), "export"]);
    assert_eq!(first.stdout, third.stdout);
}

#[test]
fn a_bad_line_is_named_and_the_good_ones_go_in_unless_strict() {
    let kitchen = Kitchen::new();
    let text = "{\"record\":\"place\",\"name\":\"box\"}\nnot json\n{\"record\":\"move\",\"batch\":\"nobody\",\"time\":\"2026-01-01T00:00:00Z\",\"place\":\"box\"}\n";
    let file = kitchen.file("bad.jsonl", text);
    let strict = doughwarden(&["import", "--strict", &file, "--data", &kitchen.data()]);
    assert_eq!(strict.status.code(), Some(1));
    assert!(
        doughwarden(&["export", "--data", &kitchen.data()])
            .stdout
            .is_empty()
    );
    let out = doughwarden(&["import", &file, "--data", &kitchen.data()]);
    assert_eq!(out.status.code(), Some(1));
    let errors = String::from_utf8(out.stderr).unwrap();
    assert!(errors.lines().any(|l| l.contains('2')), "{errors}");
    assert!(
        errors
            .lines()
            .any(|l| l.contains('3') && l.contains("nobody")),
        "{errors}"
    );
    let book = doughwarden(&["export", "--data", &kitchen.data()]);
    assert_eq!(
        String::from_utf8(book.stdout).unwrap(),
        "{\"record\":\"place\",\"name\":\"box\"}\n"
    );
}

#[test]
fn standard_input_is_a_log_book_too() {
    let kitchen = Kitchen::new();
    let mut child = Command::new(binary())
        .args(["import", "-", "--data", &kitchen.data()])
        .stdin(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    child
        .stdin
        .take()
        .unwrap()
        .write_all(book().as_bytes())
        .unwrap();
    assert!(child.wait().unwrap().success());
    assert!(
        !doughwarden(&["export", "--data", &kitchen.data()])
            .stdout
            .is_empty()
    );
}

#[test]
fn a_forecast_knows_nothing_of_what_came_later() {
    let kitchen = Kitchen::with_book();
    let at = "2026-02-04T06:55:00Z";
    let whole = kitchen.json(&["forecast", "--batch", "2026-plait-04", "--at", at]);
    assert_eq!(whole["stage"], "bulk");
    assert_eq!(whole["at"], at);
    for p in ["p10", "p50", "p90"] {
        assert!(whole["ready"][p].as_str().unwrap() >= at, "{whole}");
    }
    // The same book cut at T: same document.
    let cut = Kitchen::new();
    let kept: String = book()
        .lines()
        .filter_map(|line| {
            let mut record: Value = serde_json::from_str(line).unwrap();
            let time = record["time"]
                .as_str()
                .or(record["start"].as_str())
                .map(str::to_owned);
            if time.is_some_and(|t| t.as_str() > at)
                || record["id"]
                    .as_str()
                    .or(record["batch"].as_str())
                    .is_some_and(|b| b > "2026-plait-04")
            {
                return None;
            }
            if record["end"].as_str().is_some_and(|e| e > at) {
                let stage = record.as_object_mut().unwrap();
                stage.remove("end");
                stage.remove("outcome");
            }
            Some(record.to_string() + "\n")
        })
        .collect();
    let file = cut.file("cut.jsonl", &kept);
    assert!(
        doughwarden(&["import", &file, "--data", &cut.data()])
            .status
            .success()
    );
    assert_eq!(
        whole,
        cut.json(&["forecast", "--batch", "2026-plait-04", "--at", at])
    );
}

#[test]
fn a_forecast_that_cannot_be_exits_1_with_one_line() {
    let kitchen = Kitchen::with_book();
    for args in [["--batch", "nobody"], ["--batch", "2026-plait-01"]] {
        let out = doughwarden(&[&["forecast", "--data", &kitchen.data()], &args[..]].concat());
        assert_eq!(out.status.code(), Some(1));
        let error = String::from_utf8(out.stderr).unwrap();
        assert_eq!(error.lines().count(), 1, "{error}");
    }
}

#[test]
fn calibrate_files_versions_and_backtest_counts_three_points_a_stage() {
    let kitchen = Kitchen::with_book();
    let first = kitchen.json(&["calibrate"]);
    assert_eq!(first["version"], 1);
    assert_eq!(first["stages"], 6);
    for parameter in first["parameters"].as_array().unwrap() {
        assert!(
            parameter["p10"].as_f64() <= parameter["p90"].as_f64(),
            "{parameter}"
        );
    }
    assert_eq!(kitchen.json(&["calibrate"])["version"], 2);
    let filed = kitchen.json(&["calibrations"]);
    assert_eq!(filed.as_array().unwrap().len(), 2);
    let back = kitchen.json(&["calibrations", "--roll-back", "1"]);
    assert!(back[0]["in_force"] == true && back[1]["in_force"] == false);
    assert_eq!(
        kitchen.json(&["calibrations", "--version", "2"])[0]["version"],
        2
    );
    let test = kitchen.json(&["backtest"]);
    assert_eq!(test["overall"]["n"], 18);
    assert_eq!(test["by_stage"]["bulk"]["n"], 18);
    assert_eq!(test["by_stage"]["final"]["n"], 0);
    assert!(test["by_stage"]["final"]["coverage"].is_null());
    assert_eq!(test["left_out"], 0);
    // `clock` by hand: for each stage the mean duration of the other five, its error once a point.
    let minutes = [92.0, 88.0, 97.0, 90.0, 101.0, 95.0];
    let sum: f64 = minutes.iter().sum();
    let mut errors: Vec<f64> = minutes
        .iter()
        .map(|m| ((sum - m) / 5.0 - m).abs())
        .collect();
    errors.sort_by(f64::total_cmp);
    let (median, mean) = (
        (errors[2] + errors[3]) / 2.0,
        errors.iter().sum::<f64>() / 6.0,
    );
    let clock = &test["overall"]["clock"];
    assert!(
        (clock["median_abs_error_min"].as_f64().unwrap() - median).abs() < 1e-6,
        "{clock}"
    );
    assert!(
        (clock["mean_crps_min"].as_f64().unwrap() - mean).abs() < 1e-6,
        "{clock}"
    );
}

#[test]
fn check_says_a_line_for_each_connection_and_writes_nothing() {
    let kitchen = Kitchen::new();
    let good = kitchen.file(
        "good.toml",
        "[http]\nlisten = \"127.0.0.1:0\"\n[mqtt]\nlisten = \"127.0.0.1:0\"\n",
    );
    let out = doughwarden(&["check", "--config", &good, "--data", &kitchen.data()]);
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stdout)
    );
    assert!(!std::path::Path::new(&kitchen.data()).exists());
    let bad = kitchen.file(
        "bad.toml",
        "[mqtt]\nbroker = \"mqtt://127.0.0.1:1\"\n[http]\nlisten = \"127.0.0.1:0\"\n",
    );
    let out = doughwarden(&["check", "--config", &bad, "--data", &kitchen.data()]);
    assert_eq!(out.status.code(), Some(1));
    assert!(
        String::from_utf8_lossy(&out.stdout)
            .lines()
            .any(|l| l.starts_with("BAD"))
    );
    let wrong = kitchen.file("wrong.toml", "[http]\nlisen = 1\n");
    let out = doughwarden(&["check", "--config", &wrong, "--data", &kitchen.data()]);
    assert_eq!(out.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&out.stderr).contains("line 2"));
}

#[tokio::test(flavor = "multi_thread")]
async fn commands_work_beside_a_daemon_which_shows_the_change() {
    tls();
    let kitchen = Kitchen::new();
    let config = kitchen.file(
        "kitchen.toml",
        "[http]\nlisten = \"127.0.0.1:0\"\n[mqtt]\nlisten = \"127.0.0.1:0\"\n",
    );
    let data = kitchen.data();
    let daemon = Daemon::start(&["run", "--config", &config, "--data", &data]).unwrap();
    // A second `run` there is refused.
    let second = doughwarden(&["run", "--config", &config, "--data", &data]);
    assert_eq!(second.status.code(), Some(1));
    let file = kitchen.file("book.jsonl", &book());
    assert!(
        doughwarden(&["import", &file, "--data", &data])
            .status
            .success()
    );
    // Promised within 2 s; the deadline is ten times that.
    wait_for("the imported batches", Duration::from_secs(20), || async {
        let batches = daemon.get("/api/v1/batches").await.ok()?;
        batches.to_string().contains("2026-plait-07").then_some(())
    })
    .await
    .unwrap();
    let forecast = daemon
        .get("/api/v1/batches/2026-plait-04/forecast?at=2026-02-04T06:55:00Z")
        .await
        .unwrap();
    assert_eq!(
        forecast,
        kitchen.json(&[
            "forecast",
            "--batch",
            "2026-plait-04",
            "--at",
            "2026-02-04T06:55:00Z"
        ])
    );
    assert_eq!(kitchen.json(&["calibrate"])["version"], 1);
    assert_eq!(daemon.terminate().unwrap(), Some(0));
}
