//! A peer to measure against: a bare rumqttc loop that writes batched SQLite and acknowledges after
//! the commit. It knows nothing of sensors, corrections, plausibility, doughs or alerts.
//!
//!     bare_loop PORT FILE EXPECT
//!
//! Kept session, QoS 1, manual acknowledgement, WAL with synchronous FULL, commits what waits, at
//! most 500; a row is topic, time of arrival and value. Prints `ready` when subscribed; stops after
//! EXPECT messages.

#![allow(missing_docs, clippy::print_stdout, clippy::disallowed_methods)]

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use anyhow::{Context as _, Result};
use rumqttc::{AsyncClient, Event, Incoming, MqttOptions, Publish, QoS};
use tokio::sync::mpsc;

/// Requests besides acknowledgements.
const SPARE: usize = 100;

#[tokio::main(flavor = "current_thread")]
async fn main() -> Result<()> {
    let args: Vec<String> = std::env::args().collect();
    let [_, port, file, expect] = args.as_slice() else {
        anyhow::bail!("usage: bare_loop PORT FILE EXPECT");
    };
    let (port, expect): (u16, usize) = (port.parse()?, expect.parse()?);
    let mut options = MqttOptions::new("bare-loop", "127.0.0.1", port);
    options
        .set_clean_session(false)
        .set_manual_acks(true)
        .set_keep_alive(Duration::from_secs(30));
    // A place for every acknowledgement there will be: with fewer the writer waits to acknowledge while
    // the poller waits for the writer, for ever. The client reads ten messages for each request it
    // takes, and the broker holds more than 65,536 in flight.
    let (client, mut events) = AsyncClient::new(options, expect + SPARE);
    client.subscribe("k/#", QoS::AtLeastOnce).await?;

    let (send, mut wait) = mpsc::channel::<(Publish, i64)>(1000);
    let acker = client.clone();
    let mut db = rusqlite::Connection::open(file)?;
    db.pragma_update(None, "journal_mode", "wal")?;
    db.pragma_update(None, "synchronous", "full")?;
    db.execute_batch("create table if not exists reading(topic text, time integer, value real)")?;
    let writer = tokio::task::spawn_blocking(move || {
        let mut rows = Vec::with_capacity(500);
        let mut done = 0;
        while done < expect {
            if wait.blocking_recv_many(&mut rows, 500) == 0 {
                break;
            }
            let tx = db.transaction()?;
            {
                let mut insert = tx.prepare_cached("insert into reading values (?1, ?2, ?3)")?;
                for (row, arrived_ms) in &rows {
                    let value: f64 = std::str::from_utf8(&row.payload)?.parse()?;
                    insert.execute((&row.topic, arrived_ms, value))?;
                }
            }
            tx.commit()?;
            done += rows.len();
            for (row, _) in rows.drain(..) {
                futures::executor::block_on(acker.ack(&row))?;
            }
        }
        // Lets the last acknowledgements leave.
        std::thread::sleep(Duration::from_millis(300));
        anyhow::Ok(())
    });
    let poller = tokio::spawn(async move {
        loop {
            match events.poll().await.context("the connection")? {
                Event::Incoming(Incoming::SubAck(_)) => println!("ready"),
                // When the writer has what it expected nobody takes this; the acknowledgements still leave.
                Event::Incoming(Incoming::Publish(publish)) => {
                    let arrived = SystemTime::now().duration_since(UNIX_EPOCH)?;
                    let arrived_ms = i64::try_from(arrived.as_millis())?;
                    drop(send.send((publish, arrived_ms)).await);
                }
                _ => {}
            }
        }
        #[allow(unreachable_code)]
        anyhow::Ok(())
    });
    // Whichever ends first: a loop without its connection would wait for ever.
    tokio::select! {
        done = writer => done?,
        failed = poller => failed?,
    }
}
