//! The whole way in, against real brokers: Debian's `mosquitto` as outside broker, its command-line
//! client and a raw-socket publisher as sensors, the embedded store on a scratch directory.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::json;

use super::publisher::Publisher;
use super::*;
use crate::config::mqtt::Secret;
use crate::config::sensor::Sensor;
use crate::store::sqlite::SqliteStore;
use crate::store::{KeptOut, ReadingQuery, StoredReading};
use crate::time::{Clock, UtcMs};

/// How long anything here may take to happen.
const SOON: Duration = Duration::from_secs(20);

fn sensor(fields: serde_json::Value) -> Sensor {
    let mut all =
        json!({"name":"box","topic":"kitchen/box","quantity":"air_temperature","unit":"Cel"});
    for (k, v) in fields.as_object().unwrap() {
        all[k] = v.clone();
    }
    serde_json::from_value(all).unwrap()
}

struct Kitchen {
    app: Arc<App>,
    started: Started,
    publisher: Publisher,
}

impl Kitchen {
    async fn open(dir: &Path, change: impl FnOnce(&mut Config)) -> Self {
        Self::open_at(dir, Clock::machine(), change).await
    }

    async fn open_at(dir: &Path, clock: Clock, change: impl FnOnce(&mut Config)) -> Self {
        let mut config = Config::default();
        config.mqtt.listen = "127.0.0.1:0".into();
        config.sensor = vec![
            sensor(json!({})),
            sensor(
                json!({"name":"timed","topic":"kitchen/timed","pointer":"/v","time_pointer":"/at"}),
            ),
        ];
        change(&mut config);
        let store = Arc::new(SqliteStore::open(dir).unwrap());
        let app = App::new(clock, config, dir.to_path_buf(), store).unwrap();
        let (publisher, outgoing) = Publisher::channel();
        let started = start(&app, outgoing, Options::default()).await.unwrap();
        Self {
            app,
            started,
            publisher,
        }
    }

    fn address(&self) -> SocketAddr {
        self.started
            .mqtt_url
            .strip_prefix("mqtt://")
            .unwrap()
            .parse()
            .unwrap()
    }

    fn readings(&self) -> Vec<StoredReading> {
        let query = ReadingQuery {
            with_kept_out: true,
            ..ReadingQuery::default()
        };
        self.app.store.readings(&query).unwrap()
    }

    fn values(&self) -> Vec<f64> {
        self.readings().iter().map(|r| r.value).collect()
    }

    /// Waits until so many readings are stored.
    async fn wait_for(&self, count: usize) {
        eventually(|| self.readings().len() >= count, "readings did not come").await;
    }

    async fn wait_ready(&self) {
        eventually(|| self.app.health.ready(), "not ready").await;
    }
}

async fn eventually(mut fine: impl FnMut() -> bool, else_say: &str) {
    let until = Instant::now() + SOON;
    while !fine() {
        assert!(Instant::now() < until, "{else_say}");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

/// A publisher that speaks MQTT 3.1.1 byte by byte.
struct Raw(TcpStream);

impl Raw {
    /// Connects; gives whether the broker had its session.
    fn connect(to: SocketAddr, id: &str, clean: bool) -> (Self, bool) {
        let mut stream = TcpStream::connect(to).unwrap();
        stream.set_read_timeout(Some(SOON)).unwrap();
        let mut body = vec![
            0,
            4,
            b'M',
            b'Q',
            b'T',
            b'T',
            4,
            if clean { 2 } else { 0 },
            0,
            60,
        ];
        body.extend([0, u8::try_from(id.len()).unwrap()]);
        body.extend(id.as_bytes());
        stream.write_all(&packet(0x10, &body)).unwrap();
        let mut answer = [0; 4];
        stream.read_exact(&mut answer).unwrap();
        assert_eq!((answer[0], answer[3]), (0x20, 0), "connection refused");
        (Self(stream), answer[2] & 1 == 1)
    }

    fn send(&mut self, topic: &str, payload: &[u8], id: u16, again: bool) {
        let mut body = u16::try_from(topic.len()).unwrap().to_be_bytes().to_vec();
        body.extend(topic.as_bytes());
        body.extend(id.to_be_bytes());
        body.extend(payload);
        let first = 0x32 | if again { 8 } else { 0 };
        self.0.write_all(&packet(first, &body)).unwrap();
    }

    /// The identifier of the next PUBACK.
    fn acked(&mut self) -> std::io::Result<u16> {
        let mut answer = [0; 4];
        self.0.read_exact(&mut answer)?;
        assert_eq!(answer[0], 0x40);
        Ok(u16::from_be_bytes([answer[2], answer[3]]))
    }
}

fn packet(first: u8, body: &[u8]) -> Vec<u8> {
    let mut out = vec![first];
    let mut left = body.len();
    loop {
        let low = (left % 128) as u8;
        left /= 128;
        out.push(if left > 0 { low | 0x80 } else { low });
        if left == 0 {
            break;
        }
    }
    out.extend(body);
    out
}

/// Debian's mosquitto on a free port; stopped when dropped.
struct Mosquitto {
    child: Child,
    port: u16,
    dir: tempfile::TempDir,
}

impl Mosquitto {
    fn start(more: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        // Tried again: another test may take the port first.
        let until = Instant::now() + SOON;
        loop {
            let port = TcpListener::bind("127.0.0.1:0")
                .unwrap()
                .local_addr()
                .unwrap()
                .port();
            let child = Self::run(dir.path(), port, more);
            let mut broker = Self {
                child,
                port,
                dir: tempfile::tempdir().unwrap(),
            };
            while broker.child.try_wait().unwrap().is_none() {
                if TcpStream::connect(("127.0.0.1", port)).is_ok() {
                    broker.dir = dir;
                    return broker;
                }
                assert!(Instant::now() < until, "mosquitto did not open");
                std::thread::sleep(Duration::from_millis(20));
            }
        }
    }

    fn run(dir: &Path, port: u16, more: &str) -> Child {
        let config = dir.join("mosquitto.conf");
        let text = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\npersistence true\npersistence_location {}/\n{more}\n",
            dir.display()
        );
        std::fs::write(&config, text).unwrap();
        // Told who runs it: as root it would take another user and lose its own directory.
        Command::new("/usr/sbin/mosquitto")
            .arg("-c")
            .arg(&config)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("Debian's mosquitto is installed")
    }

    fn url(&self) -> Secret {
        Secret(format!("mqtt://127.0.0.1:{}", self.port))
    }

    fn address(&self) -> SocketAddr {
        SocketAddr::from(([127, 0, 0, 1], self.port))
    }

    fn terminate(&mut self) {
        Command::new("kill")
            .arg(self.child.id().to_string())
            .status()
            .unwrap();
        self.child.wait().unwrap();
    }

    fn again(&mut self, more: &str) {
        self.child = Self::run(self.dir.path(), self.port, more);
        let until = Instant::now() + SOON;
        while TcpStream::connect(self.address()).is_err() {
            assert!(Instant::now() < until, "mosquitto did not open again");
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn mosquitto_pub(port: u16, args: &[&str]) {
    let done = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1"])
        .args(args)
        .status()
        .expect("Debian's mosquitto-clients is installed");
    assert!(done.success());
}

fn scratch() -> tempfile::TempDir {
    // User and password never; a scratch directory always.
    tempfile::tempdir().unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_number_published_to_the_embedded_broker_is_stored_before_the_client_hears_back() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    kitchen.wait_ready().await;
    let mut bus = kitchen.app.bus.listen();
    let port = kitchen.address().port();
    tokio::task::spawn_blocking(move || mosquitto_pub(port, &["-t", "kitchen/box", "-m", "24.5"]))
        .await
        .unwrap();
    // The client has its PUBACK: the reading is there already.
    assert_eq!(kitchen.values(), [24.5]);
    let told = tokio::time::timeout(SOON, async {
        loop {
            if let Event::Readings(r) = bus.recv().await.unwrap() {
                return r;
            }
        }
    });
    assert_eq!(told.await.unwrap()[0].value, 24.5);
    let channel = &kitchen.app.board.channels()[0];
    assert_eq!(channel.newest.as_ref().unwrap().value, 24.5);
    assert!(channel.from_config && channel.spec.is_some());
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_the_embedded_broker_acknowledged_is_there_once_whatever_is_sent_again() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    let to = kitchen.address();
    tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", false);
        for i in 1..=300_u16 {
            raw.send(
                "kitchen/box",
                format!("{}", f64::from(i) / 100.0).as_bytes(),
                i,
                false,
            );
            assert_eq!(raw.acked().unwrap(), i);
        }
        // Sent, the answer lost: the connection breaks. The same packets come again.
        for i in 301..=305 {
            raw.send("kitchen/box", b"20.5", i, false);
        }
        for i in 301..=305 {
            assert_eq!(raw.acked().unwrap(), i);
        }
        drop(raw);
        std::thread::sleep(Duration::from_millis(200));
        let (mut raw, _) = Raw::connect(to, "probe", false);
        for i in 301..=305 {
            raw.send("kitchen/box", b"20.5", i, true);
            assert_eq!(raw.acked().unwrap(), i);
        }
        // A new reading under a used identifier and with the same bytes is a new reading.
        raw.send("kitchen/box", b"20.6", 1, false);
        raw.acked().unwrap();
        raw.send("kitchen/box", b"20.5", 305, false);
        raw.acked().unwrap();
        // With a time of its own, a reading is the same however it comes.
        for id in [7, 8, 9] {
            raw.send(
                "kitchen/timed",
                br#"{"v":21,"at":"2026-01-10T06:00:00Z"}"#,
                id,
                false,
            );
            raw.acked().unwrap();
        }
    })
    .await
    .unwrap();
    assert_eq!(
        kitchen
            .readings()
            .iter()
            .filter(|r| r.sensor == "box")
            .count(),
        307
    );
    assert_eq!(
        kitchen
            .readings()
            .iter()
            .filter(|r| r.sensor == "timed")
            .count(),
        1
    );
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_redelivery_after_a_restart_of_the_daemon_is_told_too() {
    let dir = scratch();
    for round in 0..2 {
        let kitchen = Kitchen::open(dir.path(), |_| {}).await;
        let to = kitchen.address();
        tokio::task::spawn_blocking(move || {
            let (mut raw, _) = Raw::connect(to, "probe", false);
            for i in 1..=5 {
                raw.send("kitchen/box", b"20.5", i, round > 0);
                assert_eq!(raw.acked().unwrap(), i);
            }
        })
        .await
        .unwrap();
        kitchen.started.stop().await;
        assert_eq!(kitchen.app.store.series().unwrap()[0].count, 5);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn garbage_is_acknowledged_set_aside_and_stalls_nothing() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    let to = kitchen.address();
    tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", true);
        for i in 1..=1000_u16 {
            let payload: &[u8] = match i % 4 {
                0 => b"\xff\x00\x80",
                1 => b"",
                2 => b"{\"v\":[]}",
                _ => b"unavailable",
            };
            raw.send("kitchen/box", payload, i, false);
            assert_eq!(raw.acked().unwrap(), i);
        }
        raw.send("kj\u{f8}kken/\u{e6}ble/\u{1f35e}", b"21.0", 1, false);
        raw.acked().unwrap();
        raw.send("kitchen/box", b"21.5", 2, false);
        raw.acked().unwrap();
    })
    .await
    .unwrap();
    assert_eq!(kitchen.values(), [21.5]);
    let aside = kitchen.app.board.set_aside();
    assert_eq!(aside.len(), board::SET_ASIDE);
    assert!(
        aside
            .iter()
            .all(|a| a.topic == "kitchen/box" && !a.why.is_empty())
    );
    let heard = kitchen.app.board.heard();
    assert_eq!(heard[0].topic, "kj\u{f8}kken/\u{e6}ble/\u{1f35e}");
    assert_eq!(heard[0].guesses[0].value, 21.0);
    let mut text = String::new();
    prometheus_client::encoding::text::encode(&mut text, &kitchen.app.metrics.registry).unwrap();
    assert!(
        text.contains(r#"messages_set_aside_total{reason="unreadable"} 750"#),
        "{text}"
    );
    assert!(
        text.contains(r#"messages_set_aside_total{reason="not_a_number"} 250"#),
        "{text}"
    );
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_topic_is_assigned_while_the_daemon_runs() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    let port = kitchen.address().port();
    let publish = move |value: &'static str| {
        tokio::task::spawn_blocking(move || mosquitto_pub(port, &["-t", "shed/t", "-m", value]))
    };
    publish("19").await.unwrap();
    let guess = kitchen.app.board.heard()[0].guesses[0].clone();
    assert!(kitchen.readings().is_empty());
    let new = Sensor {
        correction: vec![crate::config::sensor::Correction {
            from: UtcMs(0),
            points: vec![[20.0, 20.5]],
        }],
        ..sensor(json!({"name":"shed","topic":"shed/t","place":"shed"}))
    };
    assert_eq!(guess.quantity, new.quantity);
    assign::put(&kitchen.app, new).unwrap();
    publish("19.25").await.unwrap();
    let stored = kitchen.readings();
    assert_eq!(
        (stored[0].value, stored[0].raw.map(|r| r.0)),
        (19.75, Some(19.25))
    );
    assert_eq!(stored[0].place.as_deref(), Some("shed"));
    assert!(kitchen.app.board.heard().is_empty());
    // What the configuration says cannot be changed from here.
    assert!(assign::put(&kitchen.app, sensor(json!({}))).is_err());
    assert!(assign::remove(&kitchen.app, "shed", stored[0].quantity).unwrap());
    assert!(!assign::remove(&kitchen.app, "shed", stored[0].quantity).unwrap());
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_wrong_password_is_refused_and_the_right_one_still_works() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |c| {
        c.mqtt.user = Some("kitchen".into());
        c.mqtt.password = Some(Secret("flour and water".into()));
    })
    .await;
    let port = kitchen.address().port();
    tokio::task::spawn_blocking(move || {
        let run = |args: &[&str]| {
            Command::new("mosquitto_pub")
                .args([
                    "-h",
                    "127.0.0.1",
                    "-p",
                    &port.to_string(),
                    "-q",
                    "1",
                    "-t",
                    "kitchen/box",
                    "-m",
                    "20",
                ])
                .args(args)
                .stderr(Stdio::null())
                .status()
                .unwrap()
                .success()
        };
        assert!(!run(&[]));
        assert!(!run(&["-u", "kitchen", "-P", "flour"]));
        assert!(run(&["-u", "kitchen", "-P", "flour and water"]));
    })
    .await
    .unwrap();
    assert_eq!(kitchen.values(), [20.0]);
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn alerts_go_out_over_the_embedded_broker_and_a_busy_port_is_explained() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    let port = kitchen.address().port();
    let mut subscriber = Command::new("mosquitto_sub")
        .args([
            "-h",
            "127.0.0.1",
            "-p",
            &port.to_string(),
            "-q",
            "1",
            "-C",
            "1",
            "-t",
            "doughwarden/#",
            "-W",
            "15",
        ])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut heard = false;
    let until = Instant::now() + SOON;
    while !heard && Instant::now() < until {
        kitchen
            .publisher
            .publish("doughwarden/alert", "ready".into(), false)
            .await
            .unwrap();
        tokio::time::sleep(Duration::from_millis(50)).await;
        heard = subscriber.try_wait().unwrap().is_some();
    }
    let mut text = String::new();
    subscriber
        .stdout
        .take()
        .unwrap()
        .read_to_string(&mut text)
        .unwrap();
    subscriber.wait().unwrap();
    assert_eq!(text.trim(), "ready");
    let config = |listen: String| {
        let mut c = Config::default();
        c.mqtt.listen = listen;
        c
    };
    let busy = check(&config(format!("127.0.0.1:{port}"))).await;
    assert!(
        busy[0].1.as_ref().unwrap_err().contains("mqtt.listen"),
        "{busy:?}"
    );
    assert!(check(&config("127.0.0.1:0".into())).await[0].1.is_ok());
    let other = scratch();
    let store = Arc::new(SqliteStore::open(other.path()).unwrap());
    let app = App::new(
        Clock::machine(),
        config(format!("127.0.0.1:{port}")),
        other.path().into(),
        store,
    )
    .unwrap();
    let refused = start(&app, Publisher::channel().1, Options::default()).await;
    assert!(refused.unwrap_err().to_string().contains("cannot listen"));
    let moved = start(
        &app,
        Publisher::channel().1,
        Options {
            free_port_if_busy: true,
        },
    )
    .await
    .unwrap();
    assert_ne!(moved.mqtt_url, kitchen.started.mqtt_url);
    moved.stop().await;
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn through_an_outside_broker_nothing_is_lost_while_we_are_away() {
    let broker = Mosquitto::start("");
    let dir = scratch();
    let open = || Kitchen::open(dir.path(), |c| c.mqtt.broker = Some(broker.url()));
    let kitchen = open().await;
    kitchen.wait_ready().await;
    let port = broker.port;
    let publish = move |from: u32, to: u32| {
        tokio::task::spawn_blocking(move || {
            let (mut raw, _) =
                Raw::connect(SocketAddr::from(([127, 0, 0, 1], port)), "probe", true);
            for i in from..to {
                let payload = format!(
                    r#"{{"v":{},"at":{}}}"#,
                    f64::from(i) / 100.0,
                    1_768_000_000 + i
                );
                raw.send(
                    "kitchen/timed",
                    payload.as_bytes(),
                    1 + (i % 60_000) as u16,
                    false,
                );
                raw.acked().unwrap();
            }
        })
    };
    publish(0, 200).await.unwrap();
    kitchen.wait_for(200).await;
    kitchen.started.stop().await;
    publish(200, 1600).await.unwrap();
    let kitchen = open().await;
    kitchen.wait_for(1600).await;
    let times: Vec<i64> = kitchen.readings().iter().map(|r| r.time.0 / 1000).collect();
    let sent: Vec<i64> = (0..1600).map(|i| 1_768_000_000 + i).collect();
    assert_eq!(times, sent);
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_outside_broker_that_goes_and_comes_is_found_again() {
    let mut broker = Mosquitto::start("");
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |c| c.mqtt.broker = Some(broker.url())).await;
    kitchen.wait_ready().await;
    assert_eq!(kitchen.started.mqtt_url, broker.url().0);
    broker.terminate();
    eventually(|| !kitchen.app.health.ready(), "the loss was not noticed").await;
    let refused = kitchen
        .publisher
        .publish("doughwarden/alert", "x".into(), false)
        .await;
    assert!(refused.is_err());
    broker.again("");
    kitchen.wait_ready().await;
    kitchen
        .publisher
        .publish("doughwarden/alert", "x".into(), false)
        .await
        .unwrap();
    let port = broker.port;
    tokio::task::spawn_blocking(move || mosquitto_pub(port, &["-t", "kitchen/box", "-m", "22"]))
        .await
        .unwrap();
    kitchen.wait_for(1).await;
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_retained_old_value_is_not_news() {
    let broker = Mosquitto::start("");
    let port = broker.port;
    tokio::task::spawn_blocking(move || {
        mosquitto_pub(port, &["-r", "-t", "kitchen/box", "-m", "22"]);
        mosquitto_pub(
            port,
            &[
                "-r",
                "-t",
                "kitchen/timed",
                "-m",
                r#"{"v":21,"at":1768000000}"#,
            ],
        );
    })
    .await
    .unwrap();
    let dir = scratch();
    for round in 0..3 {
        let kitchen = Kitchen::open(dir.path(), |c| {
            c.mqtt.broker = Some(broker.url());
        })
        .await;
        kitchen.wait_ready().await;
        if round == 0 {
            kitchen.wait_for(1).await;
            let old = || {
                kitchen
                    .app
                    .board
                    .channels()
                    .iter()
                    .any(|c| c.retained_value == Some(22.0))
            };
            eventually(old, "the retained value was not shown").await;
        }
        let stored = kitchen.readings();
        assert_eq!(stored.len(), 1);
        assert_eq!(
            (stored[0].time, stored[0].arrived),
            (UtcMs(1_768_000_000_000), UtcMs(1_768_000_000_000))
        );
        kitchen.started.stop().await;
        // A lost session subscribes anew and is told the retained values again.
        std::fs::remove_file(dir.path().join("mqtt-session.json")).unwrap();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_oversize_message_in_a_kept_session_holds_nothing_up() {
    let broker = Mosquitto::start("");
    let dir = scratch();
    let open = || Kitchen::open(dir.path(), |c| c.mqtt.broker = Some(broker.url()));
    let kitchen = open().await;
    kitchen.wait_ready().await;
    kitchen.started.stop().await;
    let to = broker.address();
    tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", true);
        raw.send(
            "kitchen/box",
            &vec![b'1'; 2 * embedded::MAX_PACKET],
            1,
            false,
        );
        raw.acked().unwrap();
        for i in 2..=20 {
            raw.send("kitchen/box", b"20.5", i, false);
            raw.acked().unwrap();
        }
    })
    .await
    .unwrap();
    let kitchen = open().await;
    kitchen.wait_for(19).await;
    assert!(kitchen.app.metrics.connects.get() <= 3);
    // They waited for us and say nothing of when: stored, not believed.
    assert!(
        kitchen
            .readings()
            .iter()
            .all(|r| r.kept_out == Some(KeptOut::UnknownTime))
    );
    kitchen.started.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn other_topics_of_an_outside_broker_are_heard_on_request_only() {
    let broker = Mosquitto::start("");
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |c| c.mqtt.broker = Some(broker.url())).await;
    kitchen.wait_ready().await;
    let port = broker.port;
    let publish = move || {
        tokio::task::spawn_blocking(move || {
            mosquitto_pub(port, &["-t", "attic/humidity", "-m", "40"])
        })
    };
    publish().await.unwrap();
    assert!(kitchen.app.board.heard().is_empty());
    kitchen
        .app
        .board
        .listen_for_topics(kitchen.app.clock.now().plus_min(1.0));
    let until = Instant::now() + SOON;
    while kitchen.app.board.heard().is_empty() && Instant::now() < until {
        publish().await.unwrap();
    }
    assert_eq!(kitchen.app.board.heard()[0].topic, "attic/humidity");
    // Assigned, it is subscribed to at once.
    assign::put(
        &kitchen.app,
        sensor(json!({"name":"attic","topic":"attic/humidity","quantity":"humidity","unit":"%RH"})),
    )
    .unwrap();
    let until = Instant::now() + SOON;
    while kitchen.readings().is_empty() && Instant::now() < until {
        publish().await.unwrap();
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert_eq!(kitchen.readings()[0].sensor, "attic");
    kitchen.started.stop().await;
}

/// Row 5 of the reliability promises in small: another program holds the store's write lock.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn while_the_store_fails_nothing_is_acknowledged_and_then_all_of_it_once() {
    let dir = scratch();
    let store = SqliteStore::open(dir.path()).unwrap();
    let file = store.file();
    drop(store);
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    kitchen.wait_ready().await;
    let other = rusqlite::Connection::open(&file).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let to = kitchen.address();
    let mut raw = tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", true);
        for i in 1..=20 {
            raw.send("kitchen/box", format!("{i}").as_bytes(), i, false);
        }
        raw
    })
    .await
    .unwrap();
    let failing = || !kitchen.app.health.ready();
    eventually(failing, "a failing store was not noticed").await;
    raw.0.set_nonblocking(true).unwrap();
    assert_eq!(
        raw.acked().unwrap_err().kind(),
        std::io::ErrorKind::WouldBlock
    );
    assert!(kitchen.readings().is_empty());
    raw.0.set_nonblocking(false).unwrap();
    other.execute_batch("ROLLBACK").unwrap();
    tokio::task::spawn_blocking(move || {
        for i in 1..=20 {
            assert_eq!(raw.acked().unwrap(), i);
        }
    })
    .await
    .unwrap();
    assert_eq!(kitchen.readings().len(), 20);
    assert!(kitchen.app.health.ready());
    // Stopping with a store that fails leaves the message unacknowledged, and is bounded in time.
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let mut raw = tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", true);
        raw.send("kitchen/box", b"30", 1, false);
        raw
    })
    .await
    .unwrap();
    eventually(
        || !kitchen.app.health.ready(),
        "a failing store was not noticed",
    )
    .await;
    tokio::time::timeout(SOON, kitchen.started.stop())
        .await
        .unwrap();
    raw.0.set_nonblocking(true).unwrap();
    assert!(raw.acked().is_err());
}

/// Readings that jump alone are held out; the next one's word counts, also over the store.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_jump_that_the_next_reading_confirms_is_taken_back_in() {
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |_| {}).await;
    let to = kitchen.address();
    tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", true);
        for (i, value) in (1..).zip(["24", "85.0", "34", "34.1", "50", "34.2", "nan"]) {
            raw.send("kitchen/box", value.as_bytes(), i, false);
            raw.acked().unwrap();
        }
    })
    .await
    .unwrap();
    let held = || {
        kitchen
            .readings()
            .iter()
            .map(|r| r.kept_out)
            .collect::<Vec<_>>()
    };
    let wanted = [
        None,
        Some(KeptOut::ProbeFault),
        None,
        None,
        Some(KeptOut::LoneJump),
        None,
    ];
    eventually(|| held() == wanted, "the judgements differ").await;
    assert_eq!(kitchen.values(), [24.0, 85.0, 34.0, 34.1, 50.0, 34.2]);
    kitchen.started.stop().await;
}

/// What is delivered and not yet stored when we stop comes again, flagged, and is stored once.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_outside_message_that_could_not_be_stored_comes_again() {
    let broker = Mosquitto::start("");
    let dir = scratch();
    let file = SqliteStore::open(dir.path()).unwrap().file();
    let open = || Kitchen::open(dir.path(), |c| c.mqtt.broker = Some(broker.url()));
    let kitchen = open().await;
    kitchen.wait_ready().await;
    let other = rusqlite::Connection::open(&file).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let to = broker.address();
    tokio::task::spawn_blocking(move || {
        let (mut raw, _) = Raw::connect(to, "probe", true);
        for i in 1..=10 {
            raw.send("kitchen/box", b"20.5", i, false);
            raw.acked().unwrap();
        }
    })
    .await
    .unwrap();
    eventually(
        || !kitchen.app.health.ready(),
        "a failing store was not noticed",
    )
    .await;
    kitchen.started.stop().await;
    assert!(
        kitchen
            .app
            .store
            .readings(&ReadingQuery::default())
            .unwrap()
            .is_empty()
    );
    // The writer may be inside its last try still, which would end with the lock.
    let ended = || Arc::strong_count(&kitchen.app) == 1;
    eventually(ended, "the writer did not end").await;
    other.execute_batch("ROLLBACK").unwrap();
    drop(kitchen.app);
    let kitchen = open().await;
    kitchen.wait_for(10).await;
    kitchen.started.stop().await;
    assert_eq!(kitchen.app.store.series().unwrap()[0].count, 10);
    // Acknowledged by now: nothing comes a third time.
    let kitchen = open().await;
    kitchen.wait_ready().await;
    kitchen.started.stop().await;
    assert_eq!(kitchen.app.store.series().unwrap()[0].count, 10);
}

/// A topic that is no longer mapped is unsubscribed from the kept session.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_kept_session_forgets_topics_that_are_no_longer_mapped() {
    let broker = Mosquitto::start("");
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |c| c.mqtt.broker = Some(broker.url())).await;
    kitchen.wait_ready().await;
    kitchen.started.stop().await;
    let only = |c: &mut Config| {
        c.mqtt.broker = Some(broker.url());
        c.sensor = vec![sensor(json!({"name":"new","topic":"kitchen/new"}))];
    };
    let kitchen = Kitchen::open(dir.path(), only).await;
    kitchen.wait_ready().await;
    let before = kitchen.app.metrics.messages.get();
    let port = broker.port;
    tokio::task::spawn_blocking(move || {
        mosquitto_pub(port, &["-t", "kitchen/box", "-m", "20"]);
        mosquitto_pub(port, &["-t", "kitchen/new", "-m", "21"]);
    })
    .await
    .unwrap();
    kitchen.wait_for(1).await;
    assert_eq!(kitchen.values(), [21.0]);
    assert_eq!(kitchen.app.metrics.messages.get() - before, 1);
    kitchen.started.stop().await;
}

/// A broker that answers MQTT 5 as the 3.1.1 standard says (CONNACK 1, section 3.2.2.3) and then
/// speaks 3.1.1.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_speaks_only_the_older_version_is_spoken_to_in_it() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let broker = std::thread::spawn(move || {
        let mut seen = Vec::new();
        while seen.last() != Some(&4) {
            let (mut client, _) = listener.accept().unwrap();
            let mut connect = [0; 256];
            let read = client.read(&mut connect).unwrap();
            // Fixed header (2), protocol name (2 + 4), level.
            let level = connect[..read][8];
            seen.push(level);
            let answer = if level == 4 {
                [0x20, 2, 0, 0]
            } else {
                [0x20, 2, 0, 1]
            };
            client.write_all(&answer).unwrap();
        }
        seen
    });
    let mut config = Config::default();
    config.mqtt.broker = Some(Secret(format!("mqtt://127.0.0.1:{port}")));
    let told = check(&config).await;
    assert!(told[0].1.is_ok(), "{told:?}");
    assert_eq!(broker.join().unwrap(), [5, 4]);
}

/// A broker's certificate made for the test: an authority of our own, a leaf for 127.0.0.1.
fn certificates(dir: &Path) {
    let mut authority = rcgen::CertificateParams::new(Vec::new()).unwrap();
    // Names that differ: a leaf that bears its issuer's name passes for self-signed.
    authority
        .distinguished_name
        .push(rcgen::DnType::CommonName, "test authority");
    authority.is_ca = rcgen::IsCa::Ca(rcgen::BasicConstraints::Unconstrained);
    let authority_key = rcgen::KeyPair::generate().unwrap();
    let authority_cert = authority.self_signed(&authority_key).unwrap();
    let issuer = rcgen::Issuer::new(authority, authority_key);
    let key = rcgen::KeyPair::generate().unwrap();
    let leaf = rcgen::CertificateParams::new(vec!["127.0.0.1".into()]).unwrap();
    let cert = leaf.signed_by(&key, &issuer).unwrap();
    std::fs::write(dir.join("ca.pem"), authority_cert.pem()).unwrap();
    std::fs::write(dir.join("cert.pem"), cert.pem()).unwrap();
    std::fs::write(dir.join("key.pem"), key.serialize_pem()).unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn tls_to_an_outside_broker_trusts_the_given_file_and_nothing_less() {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let certs = scratch();
    certificates(certs.path());
    let at = certs.path().display();
    let tls = format!("certfile {at}/cert.pem\nkeyfile {at}/key.pem");
    let broker = Mosquitto::start(&tls);
    let url = Secret(format!("mqtts://127.0.0.1:{}", broker.port));
    let mut config = Config::default();
    config.mqtt.broker = Some(url.clone());
    let without = check(&config).await;
    assert!(without[0].1.is_err(), "{without:?}");
    let ca = certs.path().join("ca.pem");
    config.mqtt.ca_file = Some(ca.clone());
    let with = check(&config).await;
    assert!(with[0].1.is_ok(), "{with:?}");
    config.mqtt.broker = Some(broker.url());
    config.mqtt.ca_file = None;
    assert!(check(&config).await[0].1.is_err());
    let dir = scratch();
    let kitchen = Kitchen::open(dir.path(), |c| {
        c.mqtt.broker = Some(url);
        c.mqtt.ca_file = Some(ca);
    })
    .await;
    kitchen.wait_ready().await;
    let (port, ca) = (broker.port, format!("{at}/ca.pem"));
    tokio::task::spawn_blocking(move || {
        mosquitto_pub(port, &["--cafile", &ca, "-t", "kitchen/box", "-m", "22"])
    })
    .await
    .unwrap();
    kitchen.wait_for(1).await;
    kitchen.started.stop().await;
}
