//! A disk that fills, one that turns read-only, and their release, under the whole daemon on a small
//! tmpfs: nothing acknowledged is lost, nothing is acknowledged that is not kept, people's entries
//! still go in, everyone is told, and it goes on alone. Mounting needs root; without it these tests
//! print why they are skipped. The read-only disk is `peers/failing_io.c`'s.

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use doughwarden_tests::harness::{Daemon, Hook, Kitchen, doughwarden, failing_io, tls, wait_for};
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use serde_json::{Value, json};
use std::sync::{Arc, Mutex};
use tokio::sync::oneshot;

/// Size of the disk, MiB: the bar of the test names eight; the log alone may take four.
const DISK_MIB: u32 = 16;
const SOON: Duration = Duration::from_secs(60);

struct Disk {
    at: PathBuf,
    _dir: tempfile::TempDir,
}

impl Disk {
    fn mount() -> Option<Self> {
        let dir = tempfile::tempdir().unwrap();
        let at = dir.path().join("disk");
        std::fs::create_dir(&at).unwrap();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={DISK_MIB}m"), "tmpfs"])
            .arg(&at)
            .output();
        match mounted {
            Ok(out) if out.status.success() => Some(Self { at, _dir: dir }),
            other => {
                println!("SKIPPED: a small disk cannot be mounted (root?): {other:?}");
                None
            }
        }
    }

    /// Fills the disk to its last byte.
    fn fill(&self) {
        use std::io::Write as _;
        let mut ballast = std::fs::File::create(self.at.join("ballast")).unwrap();
        for size in [1 << 16, 4096, 1] {
            while ballast.write_all(&vec![7_u8; size]).is_ok() {}
        }
    }

    fn free(&self) {
        std::fs::remove_file(self.at.join("ballast")).unwrap();
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.at).status();
    }
}

/// Publishes numbers at QoS 1 and notes which are acknowledged; what is not is sent again by the
/// client after a reconnect. Each number is a second of its own, so that twice is once.
struct Numbers {
    acknowledged: Arc<Mutex<BTreeSet<u32>>>,
    stop: Option<oneshot::Sender<()>>,
    task: tokio::task::JoinHandle<()>,
}

impl Numbers {
    fn start(port: u16) -> Self {
        let acknowledged: Arc<Mutex<BTreeSet<u32>>> = Arc::default();
        let acks = Arc::clone(&acknowledged);
        let (stop, mut stopped) = oneshot::channel();
        let task = tokio::spawn(async move {
            let mut options = MqttOptions::new("numbers", "127.0.0.1", port);
            options.set_clean_session(false);
            // One in flight: the next is sent when the last is acknowledged.
            options.set_inflight(1);
            let (client, mut events) = AsyncClient::new(options, 10);
            let mut n = 0;
            let send = |n: u32| {
                let text = format!(
                    "{{\"n\":{:.3},\"at\":{}}}",
                    f64::from(n) / 1000.0,
                    1_760_000_000 + n
                );
                client.try_publish("k/n", QoS::AtLeastOnce, false, text)
            };
            loop {
                tokio::select! {
                    _ = &mut stopped => return,
                    event = events.poll() => match event {
                        Ok(Event::Incoming(Packet::ConnAck(_))) if n == 0 => {
                            n = 1;
                            let _ = send(n);
                        }
                        Ok(Event::Incoming(Packet::PubAck(_))) => {
                            acks.lock().unwrap().insert(n);
                            n += 1;
                            let _ = send(n);
                        }
                        Ok(_) => {}
                        Err(_) => tokio::time::sleep(Duration::from_millis(200)).await,
                    },
                }
            }
        });
        Self {
            acknowledged,
            stop: Some(stop),
            task,
        }
    }

    fn count(&self) -> usize {
        self.acknowledged.lock().unwrap().len()
    }

    async fn stop(&mut self) -> BTreeSet<u32> {
        drop(self.stop.take());
        let _ = (&mut self.task).await;
        self.acknowledged.lock().unwrap().clone()
    }
}

fn kitchen(hook: &str) -> Kitchen {
    Kitchen::new(&format!(
        "[alert.webhook]\nurl = \"{hook}\"\n[[sensor]]\nname = \"n\"\nplace = \"bench\"\ntopic = \"k/n\"\npointer = \"/n\"\ntime_pointer = \"/at\"\nquantity = \"battery\"\nunit = \"%EL\"\n"
    ))
    .unwrap()
}

/// Every number of a stopped daemon's store, and how often.
fn stored(data: &Path) -> Vec<u32> {
    let out = doughwarden(&["export", "--data", data.to_str().unwrap()]);
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8(out.stdout)
        .unwrap()
        .lines()
        .map(|l| serde_json::from_str::<Value>(l).unwrap())
        .filter(|r| r["record"] == "reading")
        .map(|r| (r["value"].as_f64().unwrap() * 1000.0).round() as u32)
        .collect()
}

async fn ready(daemon: &Daemon, whether: bool) {
    wait_for(&format!("/readyz to say {whether}"), SOON, || async {
        let answer = reqwest::get(format!("{}/readyz", daemon.http)).await.ok()?;
        let good = answer.status().is_success();
        // The body says which part is not ready.
        let body = answer.text().await.ok()?.replace('\\', "");
        let says = body.contains(&format!("\"store_writes\":{whether}"));
        (good == whether && says).then_some(())
    })
    .await
    .unwrap();
}

fn check(data: &Path) {
    let out = doughwarden(&["store", "check", "--data", data.to_str().unwrap()]);
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
}

/// A daemon under readings, its disk broken and mended again. `data` lies on the disk.
async fn story(
    data: &Path,
    preload: &[(&str, &Path)],
    break_it: impl Fn(),
    mend_it: impl Fn(),
    entries_go_in: bool,
) {
    let hook = Hook::start().await.unwrap();
    let kitchen = kitchen(&hook.url);
    let daemon = kitchen.start_with(data, preload).unwrap();
    let mut numbers = Numbers::start(daemon.mqtt_port());
    wait_for("the first hundred", SOON, || async {
        (numbers.count() > 100).then_some(())
    })
    .await
    .unwrap();

    break_it();
    // Told at once to machines ...
    ready(&daemon, false).await;
    let at_break = numbers.count();
    // ... and to people, with what to do; pages and alerts stay up.
    wait_for("the alert", Duration::from_secs(150), || async {
        let bodies = hook.bodies();
        bodies
            .iter()
            .any(|b| {
                b["alert"] == "disk"
                    && b["text"]
                        .as_str()
                        .is_some_and(|t| t.contains("free some space"))
            })
            .then_some(())
    })
    .await
    .unwrap();
    let page = reqwest::get(&daemon.http).await.unwrap();
    assert!(page.status().is_success());
    assert!(
        page.text()
            .await
            .unwrap()
            .contains("cannot be written to disk")
    );
    assert!(
        numbers.count() <= at_break + 1,
        "acknowledged without being kept"
    );
    // What a baker enters goes into the room that was kept back; on a read-only disk it is refused.
    let entry = daemon
        .records(&[json!({"record":"place","name":"late entry"})])
        .await;
    assert_eq!(entry.is_ok(), entries_go_in, "{entry:?}");
    assert!(
        !reqwest::get(format!("{}/readyz", daemon.http))
            .await
            .unwrap()
            .status()
            .is_success()
    );

    mend_it();
    ready(&daemon, true).await;
    let before = numbers.count();
    wait_for("readings again", SOON, || async {
        (numbers.count() > before + 100).then_some(())
    })
    .await
    .unwrap();
    let acknowledged = numbers.stop().await;
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    check(data);
    let there = stored(data);
    let once: BTreeSet<u32> = there.iter().copied().collect();
    assert_eq!(once.len(), there.len(), "stored twice");
    let lost: Vec<_> = acknowledged.difference(&once).collect();
    assert!(lost.is_empty(), "acknowledged and lost: {lost:?}");
    println!(
        "{} acknowledged ({at_break} before it broke), {} stored, 0 lost",
        acknowledged.len(),
        there.len()
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_full_disk_degrades_and_recovers() {
    tls();
    let Some(disk) = Disk::mount() else { return };
    let data = disk.at.join("data");
    story(&data, &[], || disk.fill(), || disk.free(), true).await;
}

/// No file system can be made read-only under a process that writes to it but by a disk that fails, so
/// the system's calls answer as if it were.
#[tokio::test(flavor = "multi_thread")]
async fn a_disk_that_turns_read_only_is_got_over_too() {
    tls();
    let dir = tempfile::tempdir().unwrap();
    let Some(shim) = failing_io(dir.path()) else {
        return;
    };
    let flag = dir.path().join("read-only");
    let preload = [("LD_PRELOAD", shim.as_path()), ("READ_ONLY_WHILE", &flag)];
    story(
        &dir.path().join("data"),
        &preload,
        || std::fs::write(&flag, "").unwrap(),
        || std::fs::remove_file(&flag).unwrap(),
        false,
    )
    .await;
}

/// A daemon that starts on a full disk, or is killed on it, loses nothing either.
#[tokio::test(flavor = "multi_thread")]
async fn a_kill_on_a_full_disk_costs_nothing() {
    tls();
    let Some(disk) = Disk::mount() else { return };
    let kitchen = kitchen("http://127.0.0.1:9/nobody");
    let data = disk.at.join("data");
    let daemon = kitchen.start_on(&data).unwrap();
    let mut numbers = Numbers::start(daemon.mqtt_port());
    wait_for("the first hundred", SOON, || async {
        (numbers.count() > 100).then_some(())
    })
    .await
    .unwrap();
    disk.fill();
    ready(&daemon, false).await;
    daemon.kill();
    let acknowledged = numbers.stop().await;
    disk.free();
    let daemon = kitchen.start_on(&data).unwrap();
    ready(&daemon, true).await;
    assert_eq!(daemon.terminate().unwrap(), Some(0));
    check(&data);
    let there: BTreeSet<u32> = stored(&data).into_iter().collect();
    assert!(acknowledged.is_subset(&there));
}
