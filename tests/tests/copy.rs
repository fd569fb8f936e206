//! The copy to InfluxDB: a real server that takes line protocol on `/api/v2/write` (Debian's
//! victoria-metrics), and a server that fails in every way the protocol has.

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::io::Read as _;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use axum::http::StatusCode;
use doughwarden_tests::harness::{Daemon, Kitchen, doughwarden, free_port, tls, wait_for};
use serde_json::{Value, json};

struct Victoria {
    child: Child,
    port: u16,
    _dir: tempfile::TempDir,
}

impl Victoria {
    fn start(port: u16) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let child = Command::new("victoria-metrics")
            .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
            .arg(format!("-storageDataPath={}", dir.path().display()))
            .arg("-retentionPeriod=100y")
            .arg("-dedup.minScrapeInterval=1ms")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("victoria-metrics is not installed: run tests/run");
        Self {
            child,
            port,
            _dir: dir,
        }
    }

    /// Every sample it has: series by its labels, each a list of `(ms, value)` in order of time.
    async fn samples(&self) -> BTreeMap<String, Vec<(i64, f64)>> {
        let base = format!("http://127.0.0.1:{}", self.port);
        // Makes what was just written visible to the export.
        let _ = reqwest::get(format!("{base}/internal/force_flush")).await;
        let text = reqwest::get(format!("{base}/api/v1/export?match[]=reading_value"))
            .await
            .unwrap()
            .text()
            .await
            .unwrap();
        let mut series: BTreeMap<String, Vec<(i64, f64)>> = BTreeMap::new();
        for line in text.lines() {
            let line: Value = serde_json::from_str(line).unwrap();
            let times = line["timestamps"].as_array().unwrap().iter();
            let values = line["values"].as_array().unwrap().iter();
            series
                .entry(line["metric"].to_string())
                .or_default()
                .extend(
                    times
                        .zip(values)
                        .map(|(t, v)| (t.as_i64().unwrap(), v.as_f64().unwrap())),
                );
        }
        for samples in series.values_mut() {
            samples.sort_by_key(|s| s.0);
        }
        series
    }
}

impl Drop for Victoria {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn kitchen(port: u16) -> Kitchen {
    Kitchen::new(&format!(
        "[influx]\nurl = \"http://127.0.0.1:{port}\"\norg = \"kitchen\"\nbucket = \"dough\"\ntoken = \"t\"\n"
    ))
    .unwrap()
}

async fn waiting(daemon: &Daemon) -> Option<f64> {
    let text = reqwest::get(format!("{}/metrics", daemon.http))
        .await
        .ok()?
        .text()
        .await
        .ok()?;
    let line = text
        .lines()
        .find(|l| l.starts_with("doughwarden_copy_waiting"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// Readings of ten sensors, one each five seconds, between two minutes of 10 January 2026.
fn readings(from_min: i64, to_min: i64) -> String {
    let mut text = String::new();
    for second in (from_min * 60..to_min * 60).step_by(5) {
        for sensor in 0..10 {
            let at = jiff::Timestamp::from_second(1_768_024_800 + second).unwrap();
            let value = 20.0 + f64::from(sensor) + (second % 600) as f64 / 1000.0;
            text.push_str(
                &json!({"record":"reading","time":at.to_string(),"sensor":format!("s{sensor}"),"quantity":"air_temperature","value":value,"unit":"Cel"})
                    .to_string(),
            );
            text.push('\n');
        }
    }
    text
}

fn peak_memory_kib(pid: u32) -> u64 {
    let mut text = String::new();
    std::fs::File::open(format!("/proc/{pid}/status"))
        .unwrap()
        .read_to_string(&mut text)
        .unwrap();
    let line = text.lines().find(|l| l.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn six_hours_of_outage_lose_nothing_and_double_nothing() {
    tls();
    let port = free_port();
    let kitchen = kitchen(port);
    let data = kitchen.data();
    let import = |name: &str, text: String| {
        let file = kitchen.path(name);
        std::fs::write(&file, text).unwrap();
        let out = doughwarden(&[
            "import",
            file.to_str().unwrap(),
            "--data",
            data.to_str().unwrap(),
        ]);
        assert!(
            out.status.success(),
            "{}",
            String::from_utf8_lossy(&out.stderr)
        );
    };
    let daemon = kitchen.start().unwrap();
    let at_rest = peak_memory_kib(daemon.pid());
    import("first.jsonl", readings(0, 180));
    // A restart in the middle of the outage.
    daemon.kill();
    let daemon = kitchen.start().unwrap();
    import("second.jsonl", readings(180, 360));
    wait_for(
        "the whole outage to be queued",
        Duration::from_secs(60),
        || async { (waiting(&daemon).await? == 43_200.0).then_some(()) },
    )
    .await
    .unwrap();
    let server = Victoria::start(port);
    // Live data while it drains.
    import("live.jsonl", readings(360, 361));
    wait_for("the queue to drain", Duration::from_secs(300), || async {
        (waiting(&daemon).await? == 0.0).then_some(())
    })
    .await
    .unwrap();
    let grown = peak_memory_kib(daemon.pid()).saturating_sub(at_rest);
    let series = wait_for(
        "the server to show them all",
        Duration::from_secs(60),
        || async {
            let series = server.samples().await;
            (series.values().map(Vec::len).sum::<usize>() >= 43_320).then_some(series)
        },
    )
    .await
    .unwrap();
    assert_eq!(series.len(), 10);
    for (labels, samples) in series {
        assert_eq!(samples.len(), 4_332, "{labels}");
        assert!(
            samples
                .windows(2)
                .all(|pair| pair[1].0 - pair[0].0 == 5_000),
            "{labels}"
        );
    }
    println!("peak memory grew by {grown} KiB during outage and drain");
    assert!(grown < 20 * 1024, "memory grew by {grown} KiB");
}

/// Moods that are no status.
const SILENT: u16 = 0;
const SLOW: u16 = 1;
const PARTIAL: u16 = 2;
const CUT: u16 = 3;

/// An error as InfluxDB 2 writes it (its API's document, `Error`).
const ITS_OWN: &str = r#"{"code":"unprocessable entity","message":"{}"}"#;

/// Answers by a script, then takes everything; keeps what it took, in order.
#[derive(Clone, Default)]
struct Moody {
    script: Arc<Mutex<Vec<u16>>>,
    taken: Arc<Mutex<Vec<String>>>,
    seen: Arc<Mutex<Vec<u16>>>,
}

impl Moody {
    async fn start(script: &[u16]) -> (Self, u16) {
        let this = Self::default();
        *this.script.lock().unwrap() = script.iter().rev().copied().collect();
        let moody = this.clone();
        let app = axum::Router::new().route(
            "/api/v2/write",
            axum::routing::post(move |body: String| {
                let moody = moody.clone();
                async move { moody.answer(&body).await }
            }),
        );
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        tokio::spawn(async move { axum::serve(listener, app).await });
        (this, port)
    }

    async fn answer(&self, body: &str) -> (StatusCode, [(&'static str, &'static str); 1], String) {
        let header = [("retry-after", "1")];
        // `check` writes nothing: an empty body is no reading.
        let mood = if body.is_empty() {
            None
        } else {
            self.script.lock().unwrap().pop()
        };
        if let Some(mood) = mood {
            self.seen.lock().unwrap().push(mood);
            let good = body.lines().filter(|l| !l.contains("sensor=poison"));
            let lines = good.map(str::to_owned);
            match mood {
                // Accepts and stays silent.
                SILENT => std::future::pending::<()>().await,
                SLOW => tokio::time::sleep(Duration::from_secs(3)).await,
                // A line is bad, the others are written (InfluxDB 2's "partial write").
                PARTIAL => {
                    self.taken.lock().unwrap().extend(lines);
                    return (
                        StatusCode::UNPROCESSABLE_ENTITY,
                        header,
                        ITS_OWN.replace("{}", "partial write: field type conflict dropped=1"),
                    );
                }
                // Takes it, and is gone before it has said so.
                CUT => {
                    self.taken.lock().unwrap().extend(lines);
                    panic!("the connection is cut on purpose");
                }
                _ => {
                    return (
                        StatusCode::from_u16(mood).unwrap(),
                        header,
                        "in a mood".into(),
                    );
                }
            }
        }
        // A point it will never take, as a server with a field-type conflict has.
        if body.contains("sensor=poison") {
            return (
                StatusCode::UNPROCESSABLE_ENTITY,
                header,
                ITS_OWN.replace("{}", "field type conflict"),
            );
        }
        self.taken
            .lock()
            .unwrap()
            .extend(body.lines().map(str::to_owned));
        (StatusCode::NO_CONTENT, header, String::new())
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn every_way_to_fail_is_waited_out_and_a_poisoned_reading_blocks_nothing() {
    tls();
    let (server, port) = Moody::start(&[
        CUT, 503, 429, SILENT, 400, 401, 404, 413, 500, SLOW, PARTIAL, 422,
    ])
    .await;
    let kitchen = kitchen(port);
    let data = kitchen.data();
    let mut text = readings(0, 2);
    text.push_str("{\"record\":\"reading\",\"time\":\"2026-01-10T06:00:02Z\",\"sensor\":\"poison\",\"quantity\":\"air_temperature\",\"value\":20,\"unit\":\"Cel\"}\n");
    text.push_str(&readings(2, 4));
    let daemon = kitchen.start().unwrap();
    let file = kitchen.path("book.jsonl");
    std::fs::write(&file, text).unwrap();
    let out = doughwarden(&[
        "import",
        file.to_str().unwrap(),
        "--data",
        data.to_str().unwrap(),
    ]);
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let status = wait_for(
        "the status to say that the copy fails",
        Duration::from_secs(60),
        || async {
            let copy = daemon.get("/api/v1/status").await.ok()?["copy"].take();
            copy["failing_since"].is_string().then_some(copy)
        },
    )
    .await
    .unwrap();
    assert_eq!(status["waiting"], 481);
    assert!(status["oldest_age_s"].as_f64().unwrap() > 0.0);
    assert!(status["last_error"].as_str().is_some_and(|e| !e.is_empty()));
    let page = reqwest::get(format!("{}/settings", daemon.http))
        .await
        .unwrap()
        .text()
        .await
        .unwrap();
    assert!(page.contains("readings wait") && page.contains("Last trouble"));
    wait_for(
        "everything but the poisoned reading",
        Duration::from_secs(300),
        || async {
            let taken = server.taken.lock().unwrap();
            let different: std::collections::BTreeSet<&String> = taken.iter().collect();
            (different.len() >= 480).then_some(())
        },
    )
    .await
    .unwrap();
    wait_for(
        "the queue to be empty",
        Duration::from_secs(300),
        || async { (waiting(&daemon).await? == 0.0).then_some(()) },
    )
    .await
    .unwrap();
    let mut taken = server.taken.lock().unwrap().clone();
    assert_eq!(server.seen.lock().unwrap().len(), 12, "every mood was met");
    // What was cut or partly refused came twice: the same points, so the server has each once. Of
    // what came once more, the order of the first coming counts.
    let mut met = std::collections::BTreeSet::new();
    taken.retain(|line| met.insert(line.clone()));
    let mut times: BTreeMap<&str, Vec<i64>> = BTreeMap::new();
    for line in &taken {
        let sensor = line
            .split("sensor=")
            .nth(1)
            .unwrap()
            .split(' ')
            .next()
            .unwrap();
        times
            .entry(sensor)
            .or_default()
            .push(line.rsplit(' ').next().unwrap().parse().unwrap());
    }
    assert_eq!(times.len(), 10);
    for (sensor, times) in times {
        assert_eq!(times.len(), 48, "{sensor}");
        assert!(
            times.is_sorted_by(|a, b| a < b),
            "{sensor}: in order, none twice"
        );
    }
    let status = daemon.get("/api/v1/status").await.unwrap();
    assert_eq!(status["copy"]["refused"], 1);
    assert!(status["copy"]["failing_since"].is_null() && status["copy"]["oldest"].is_null());
    let metrics = reqwest::get(format!("{}/metrics", daemon.http))
        .await
        .unwrap()
        .text()
        .await
        .unwrap();
    for line in [
        "doughwarden_copy_waiting 0",
        "doughwarden_copy_refused 1",
        "doughwarden_copy_failing_seconds 0",
        "doughwarden_copy_oldest_age_seconds 0",
    ] {
        assert!(metrics.contains(line), "{line}");
    }
    // Once more, on request: the same points again.
    let before = server.taken.lock().unwrap().len();
    let resend = [
        "resend",
        "--config",
        kitchen.config(),
        "--data",
        data.to_str().unwrap(),
    ];
    let out = doughwarden(&[&resend[..], &["--from", "2026-01-10T06:02:00Z"]].concat());
    assert!(String::from_utf8_lossy(&out.stderr).starts_with("240 readings"));
    wait_for("them to come again", Duration::from_secs(60), || async {
        (server.taken.lock().unwrap().len() >= before + 240).then_some(())
    })
    .await
    .unwrap();
    // All readings, the poisoned one too, are in the embedded store.
    let out = doughwarden(&["export", "--data", data.to_str().unwrap()]);
    assert_eq!(String::from_utf8(out.stdout).unwrap().lines().count(), 481);
}
