//! What the end-to-end tests share: the daemon as a process, an outside broker, a webhook receiver,
//! and waiting with a deadline. Everything listens on 127.0.0.1 and is stopped by pid when dropped.

use std::io::{BufRead as _, BufReader};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail};
use serde_json::Value;

/// Ten times what we promise for "serving again": 5 s.
pub const START_DEADLINE: Duration = Duration::from_secs(50);

/// The built binary: in the same target directory as the test that asks.
///
/// # Panics
/// If it was not built.
#[must_use]
pub fn binary() -> PathBuf {
    let mut dir = std::env::current_exe().expect("a test knows its own path");
    dir.pop();
    if dir.ends_with("deps") {
        dir.pop();
    }
    let path = dir.join("doughwarden");
    assert!(
        path.exists(),
        "build the daemon first: cargo build -p doughwarden"
    );
    path
}

/// A port that was free a moment ago.
///
/// # Panics
/// If the machine has none.
#[must_use]
pub fn free_port() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    listener
        .local_addr()
        .expect("a bound listener has an address")
        .port()
}

/// Runs a command of the binary to its end.
///
/// # Panics
/// If it cannot be started.
pub fn doughwarden(args: &[&str]) -> Output {
    Command::new(binary())
        .args(args)
        .env("RUST_LOG", "warn")
        .output()
        .expect("the binary starts")
}

/// A kitchen of a test's own: a folder with a configuration and room for data, on which the daemon is
/// started as often as the test likes. Pages are always on a free port.
pub struct Kitchen {
    dir: tempfile::TempDir,
    config: PathBuf,
}

impl Kitchen {
    /// With the daemon's own broker, and this besides.
    ///
    /// # Errors
    /// If the folder cannot be written.
    pub fn new(besides: &str) -> Result<Self> {
        Self::with_mqtt("listen = \"127.0.0.1:0\"", besides)
    }

    /// With these lines for `[mqtt]`.
    ///
    /// # Errors
    /// If the folder cannot be written.
    pub fn with_mqtt(mqtt: &str, besides: &str) -> Result<Self> {
        Self::written(&format!(
            "[http]\nlisten = \"127.0.0.1:0\"\n[mqtt]\n{mqtt}\n{besides}"
        ))
    }

    /// With exactly this configuration.
    ///
    /// # Errors
    /// If the folder cannot be written.
    pub fn written(text: &str) -> Result<Self> {
        let dir = tempfile::tempdir()?;
        let config = dir.path().join("kitchen.toml");
        std::fs::write(&config, text)?;
        Ok(Self { dir, config })
    }

    /// Its configuration, for a command.
    ///
    /// # Panics
    /// If the folder's name is no text.
    #[must_use]
    pub fn config(&self) -> &str {
        let path = self.config.to_str();
        path.expect("a temporary folder's name is plain")
    }

    /// A file or folder in it.
    #[must_use]
    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Where [`Kitchen::start`] keeps the data.
    #[must_use]
    pub fn data(&self) -> PathBuf {
        self.path("data")
    }

    /// Starts the daemon.
    ///
    /// # Errors
    /// If it ends or does not serve in time.
    pub fn start(&self) -> Result<Daemon> {
        self.start_on(&self.data())
    }

    /// The same on other data.
    ///
    /// # Errors
    /// If it ends or does not serve in time.
    pub fn start_on(&self, data: &Path) -> Result<Daemon> {
        self.start_with(data, &[])
    }

    /// The same with variables of its own.
    ///
    /// # Errors
    /// If it ends or does not serve in time.
    pub fn start_with(&self, data: &Path, variables: &[(&str, &Path)]) -> Result<Daemon> {
        let data = data.to_str().context("a path")?;
        let args = ["run", "--config", self.config(), "--data", data];
        Daemon::start_with(&args, variables)
    }
}

/// A running daemon.
pub struct Daemon {
    child: Child,
    /// `http://127.0.0.1:PORT`.
    pub http: String,
    /// `mqtt://127.0.0.1:PORT`.
    pub mqtt: String,
}

impl Daemon {
    /// Starts `run` (or another serving command) and waits for its ready line.
    ///
    /// # Errors
    /// If it ends or does not serve in time.
    pub fn start(args: &[&str]) -> Result<Self> {
        Self::start_with(args, &[])
    }

    /// The same with variables of its own.
    ///
    /// # Errors
    /// If it ends or does not serve in time.
    pub fn start_with(args: &[&str], variables: &[(&str, &Path)]) -> Result<Self> {
        let mut child = Command::new(binary())
            .args(args)
            .envs(variables.iter().copied())
            .env(
                "RUST_LOG",
                std::env::var("RUST_LOG").unwrap_or_else(|_| "warn".into()),
            )
            .stdout(Stdio::piped())
            .spawn()
            .context("the binary starts")?;
        let out = child.stdout.take().context("its output is piped")?;
        let (send, line) = std::sync::mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                let _ = send.send(line);
            }
        });
        let line = match line.recv_timeout(START_DEADLINE) {
            Ok(line) => line,
            Err(_) => {
                let _ = child.kill();
                let status = child.wait()?;
                bail!("the daemon did not become ready: {status}");
            }
        };
        let (http, mqtt) = line
            .strip_prefix("ready http=")
            .and_then(|rest| rest.split_once(" mqtt="))
            .with_context(|| format!("not a ready line: {line}"))?;
        Ok(Self {
            child,
            http: http.into(),
            mqtt: mqtt.into(),
        })
    }

    /// The port of its broker.
    ///
    /// # Panics
    /// If the ready line had none.
    #[must_use]
    pub fn mqtt_port(&self) -> u16 {
        self.mqtt
            .rsplit(':')
            .next()
            .and_then(|p| p.parse().ok())
            .expect("the ready line ends in a port")
    }

    /// Its process id.
    #[must_use]
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// SIGKILL, and wait until it is gone.
    pub fn kill(mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// SIGTERM; its exit code.
    ///
    /// # Errors
    /// If it does not stop in time.
    pub fn terminate(mut self) -> Result<Option<i32>> {
        Command::new("kill")
            .arg(self.child.id().to_string())
            .status()?;
        let deadline = Instant::now() + Duration::from_secs(100);
        while Instant::now() < deadline {
            if let Some(status) = self.child.try_wait()? {
                return Ok(status.code());
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        bail!("it did not stop on SIGTERM")
    }

    /// GETs a JSON document.
    ///
    /// # Errors
    /// If there is none.
    pub async fn get(&self, path: &str) -> Result<Value> {
        let response = reqwest::get(format!("{}{path}", self.http)).await?;
        let status = response.status();
        let text = response.text().await?;
        if !status.is_success() {
            bail!("GET {path}: {status} {text}");
        }
        serde_json::from_str(&text).with_context(|| format!("GET {path}: {text}"))
    }

    /// POSTs log-book lines.
    ///
    /// # Errors
    /// If they are refused.
    pub async fn records(&self, lines: &[Value]) -> Result<Value> {
        let body = lines
            .iter()
            .map(Value::to_string)
            .collect::<Vec<_>>()
            .join("\n");
        let response = reqwest::Client::new()
            .post(format!("{}/api/v1/records", self.http))
            .header("content-type", "application/jsonl")
            .body(body)
            .send()
            .await?;
        let status = response.status();
        let text = response.text().await?;
        if !status.is_success() {
            bail!("POST records: {status} {text}");
        }
        Ok(serde_json::from_str(&text)?)
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Builds `peers/failing_io.c` into a directory; what is preloaded into a process whose disk is to
/// fail. `None`: there is no C compiler, and that is printed.
#[must_use]
#[allow(clippy::print_stdout, reason = "a test that is skipped says so")]
pub fn failing_io(dir: &Path) -> Option<PathBuf> {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("peers/failing_io.c");
    let shim = dir.join("failing_io.so");
    let built = Command::new("cc")
        .args(["-shared", "-fPIC", "-O1", "-o"])
        .args([&shim, &source])
        .arg("-ldl")
        .status();
    match built {
        Ok(status) if status.success() => Some(shim),
        other => {
            println!("SKIPPED: no C compiler builds the failing disk ({other:?})");
            None
        }
    }
}

/// Debian's mosquitto as an outside broker.
pub struct Mosquitto {
    child: Child,
    /// Its port.
    pub port: u16,
    _dir: tempfile::TempDir,
}

impl Mosquitto {
    /// Starts one with these lines in its configuration and waits until it accepts.
    ///
    /// # Errors
    /// If it does not start.
    pub fn start(extra: &str) -> Result<Self> {
        let dir = tempfile::tempdir()?;
        let port = free_port();
        let file = dir.path().join("mosquitto.conf");
        std::fs::write(
            &file,
            format!("listener {port} 127.0.0.1\nallow_anonymous true\n{extra}\n"),
        )?;
        let path = ["/usr/sbin/mosquitto", "/usr/bin/mosquitto"]
            .into_iter()
            .find(|p| Path::new(p).exists())
            .context("mosquitto is not installed: run tests/run")?;
        let child = Command::new(path)
            .arg("-c")
            .arg(&file)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()?;
        let this = Self {
            child,
            port,
            _dir: dir,
        };
        let deadline = Instant::now() + START_DEADLINE;
        while std::net::TcpStream::connect(("127.0.0.1", port)).is_err() {
            if Instant::now() > deadline {
                bail!("mosquitto does not accept connections");
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        Ok(this)
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Publishes once with mosquitto's own client.
///
/// # Errors
/// If it says so.
pub fn mosquitto_pub(port: u16, args: &[&str]) -> Result<()> {
    let out = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1"])
        .args(args)
        .output()
        .context("mosquitto_pub is not installed: run tests/run")?;
    if !out.status.success() {
        bail!("mosquitto_pub: {}", String::from_utf8_lossy(&out.stderr));
    }
    Ok(())
}

/// A webhook receiver that keeps every JSON body.
pub struct Hook {
    /// Where it listens.
    pub url: String,
    bodies: Arc<Mutex<Vec<Value>>>,
    task: tokio::task::JoinHandle<()>,
}

impl Hook {
    /// Starts one.
    ///
    /// # Errors
    /// If there is no port.
    pub async fn start() -> Result<Self> {
        let bodies: Arc<Mutex<Vec<Value>>> = Arc::default();
        let kept = Arc::clone(&bodies);
        let app = axum::Router::new().route(
            "/hook",
            axum::routing::post(move |axum::Json(body): axum::Json<Value>| {
                kept.lock()
                    .unwrap_or_else(std::sync::PoisonError::into_inner)
                    .push(body);
                async { "ok" }
            }),
        );
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await?;
        let url = format!("http://{}/hook", listener.local_addr()?);
        let task = tokio::spawn(async move {
            let _ = axum::serve(listener, app).await;
        });
        Ok(Self { url, bodies, task })
    }

    /// What has come so far.
    #[must_use]
    pub fn bodies(&self) -> Vec<Value> {
        self.bodies
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .clone()
    }
}

impl Drop for Hook {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// Asks again and again until there is an answer, or the deadline has passed.
///
/// # Errors
/// What was waited for, when it does not come.
pub async fn wait_for<T, F: Future<Output = Option<T>>>(
    what: &str,
    deadline: Duration,
    mut ask: impl FnMut() -> F,
) -> Result<T> {
    let until = Instant::now() + deadline;
    loop {
        if let Some(answer) = ask().await {
            return Ok(answer);
        }
        if Instant::now() > until {
            bail!("waited {deadline:?} in vain for {what}");
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// The first TLS provider of a test that uses `reqwest`; a second call is harmless.
pub fn tls() {
    let _ = rustls::crypto::ring::default_provider().install_default();
}
