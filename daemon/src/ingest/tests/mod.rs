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

mod embedded;
mod outside;
mod subscriptions;
