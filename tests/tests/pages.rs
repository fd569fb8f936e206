//! The pages in headless Chromium, at a phone's width and a desk's: each opens without a console
//! error and without a request to another host, a batch is started by taps, a reading shows without
//! reload. Screenshots are kept in `target/screenshots`, not committed.

// Tests run on the machine's own clock, and say what they measured.
#![allow(clippy::disallowed_methods, clippy::print_stdout, clippy::unwrap_used)]

use std::path::Path;
use std::time::Duration;

use doughwarden_tests::browser::{Watched, chromium};
use doughwarden_tests::harness::{Daemon, Kitchen, mosquitto_pub, tls, wait_for};
use serde_json::{Value, json};

const PAGES: [(&str, &str); 9] = [
    ("/", "now"),
    ("/bakes", "bakes"),
    ("/doughs", "doughs"),
    ("/places", "places"),
    ("/sensors", "sensors"),
    ("/settings", "settings"),
    ("/new", "new"),
    ("/plan", "plan"),
    ("/compare", "compare"),
];

#[tokio::test(flavor = "multi_thread")]
async fn every_page_opens_clean_at_both_widths() {
    tls();
    let daemon = Daemon::start(&["demo", "--speed", "60"]).unwrap();
    let batches = daemon.get("/api/v1/batches").await.unwrap();
    let id = batches.as_array().unwrap().first().unwrap()["id"]
        .as_str()
        .unwrap()
        .to_owned();
    let (browser, _profile) = chromium().await;
    for (width, height) in [(390, 844), (1280, 900)] {
        let seen = Watched::new(&browser, width, height).await.unwrap();
        for (path, name) in PAGES {
            let url = format!("{}{path}", daemon.http);
            seen.open(&url, name).await.unwrap();
            assert!(seen.text().await.len() > 40, "{path} is nearly empty");
            seen.is_clean(&daemon.http).await.unwrap();
        }
        let url = format!("{}/batches/{id}", daemon.http);
        seen.open(&url, "batch").await.unwrap();
        seen.is_clean(&daemon.http).await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_batch_is_started_by_taps_and_a_reading_shows_without_reload() {
    tls();
    let kitchen = Kitchen::new(
        "[[sensor]]\nname = \"box\"\nplace = \"box\"\ntopic = \"k/box\"\nquantity = \"air_temperature\"\nunit = \"Cel\"\n",
    )
    .unwrap();
    let daemon = kitchen.start().unwrap();
    daemon
        .records(&[
            json!({"record":"place","name":"box","kind":"box"}),
            json!({"record":"dough","name":"pear whirls","bulk":{"usual_min":90,"at":24}}),
            json!({"record":"batch","id":"2026-whirls-1","dough":"pear whirls","place":"box"}),
            json!({"record":"stage","batch":"2026-whirls-1","stage":"bulk","start":"2026-01-02T06:00:00Z","end":"2026-01-02T07:30:00Z","outcome":"ready"}),
        ])
        .await
        .unwrap();
    let (browser, _profile) = chromium().await;
    let seen = Watched::new(&browser, 390, 844).await.unwrap();
    seen.open(&daemon.http, "same-again").await.unwrap();
    // Two taps: "Same again", then the button that starts it.
    seen.tap("Same again").await.unwrap();
    seen.holds("pear whirls").await.unwrap();
    wait_for("the batch to be proofing", Duration::from_secs(20), || async {
        let script = "(() => { const b = [...document.querySelectorAll('main button')].find(b => /start/i.test(b.innerText)); if (b) b.click(); return true; })()";
        seen.script::<bool>(script).await;
        let batches = daemon.get("/api/v1/batches").await.ok()?;
        (batches.as_array()?.len() > 1).then_some(())
    })
    .await
    .unwrap();
    seen.open(&daemon.http, "started").await.unwrap();
    seen.holds("pear whirls").await.unwrap();
    for (value, shown) in [("23.75", "23.8"), ("26.25", "26.3")] {
        mosquitto_pub(daemon.mqtt_port(), &["-t", "k/box", "-m", value]).unwrap();
        // Promised within a second; the deadline is twenty times that.
        seen.holds(shown).await.unwrap();
    }
    seen.is_clean(&daemon.http).await.unwrap();
}

/// A logger's file: lines about itself, °F, clock times over the end of summer time, a line nobody can
/// read. Central European clocks went from 3:00 back to 2:00 on 26 October 2025 (IANA time zone database,
/// Europe/Oslo).
const LOGGER: &str = "Shelf logger,S-12
Interval,30 min

Date/Time,Temp (°F),RH (%),Note
2025-10-26 01:30,68.0,60,
2025-10-26 02:00,69.8,61,
2025-10-26 02:30,71.6,62,
2025-10-26 02:00,73.4,63,
2025-10-26 soon,70,63,battery changed
2025-10-26 02:30,75.2,64,
2025-10-26 03:00,77.0,65,
";

/// The moments and the temperatures of it, by hand: (°F - 32) / 1.8.
const LOGGED: [(&str, f64); 6] = [
    ("2025-10-25T23:30:00Z", 20.0),
    ("2025-10-26T00:00:00Z", 21.0),
    ("2025-10-26T00:30:00Z", 22.0),
    ("2025-10-26T01:00:00Z", 23.0),
    ("2025-10-26T01:30:00Z", 24.0),
    ("2025-10-26T02:00:00Z", 25.0),
];

/// What is stored of a sensor's air temperature.
async fn air(daemon: &Daemon, sensor: &str) -> Vec<(String, f64)> {
    let path = format!("/api/v1/readings?sensor={sensor}&quantity=air_temperature");
    let found = daemon.get(&path).await.unwrap();
    let one = |r: &Value| {
        assert_eq!(r["unit"], "Cel");
        let time = r["time"].as_str().unwrap().to_owned();
        (time, r["value"].as_f64().unwrap())
    };
    found.as_array().unwrap().iter().map(one).collect()
}

/// Brings a file to the page.
async fn bring(seen: &Watched, daemon: &Daemon, file: &Path) {
    let url = format!("{}/import", daemon.http);
    seen.open(&url, "import").await.unwrap();
    seen.choose_file(file).await.unwrap();
    seen.tap("Look at it").await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_loggers_file_is_brought_mapped_looked_at_and_stored() {
    tls();
    let (browser, _profile) = chromium().await;
    for (width, height) in [(390, 844), (1280, 900)] {
        let kitchen = Kitchen::new("[display]\nzone = \"Europe/Oslo\"\n").unwrap();
        let daemon = kitchen.start().unwrap();
        let file = kitchen.path("shelf.csv");
        std::fs::write(&file, LOGGER).unwrap();
        let seen = Watched::new(&browser, width, height).await.unwrap();
        bring(&seen, &daemon, &file).await;
        // What can be guessed is filled in.
        seen.holds("The 3 lines above the columns").await.unwrap();
        let filled: Vec<String> = seen
            .script("[...document.querySelectorAll('[name=header_line], [name=time], select[name=measures], [name=zone]')].map(f => f.value)")
            .await
            .unwrap();
        assert_eq!(
            filled,
            [
                "4",
                "Date/Time",
                "Europe/Oslo",
                "air_temperature:degF",
                "humidity:%RH",
                ""
            ]
        );
        seen.picture("import-file").await.unwrap();
        seen.is_clean(&daemon.http).await.unwrap();
        seen.fill("[name=place]", "cellar").await.unwrap();
        seen.tap("Look at it").await.unwrap();
        seen.holds("As it will be stored").await.unwrap();
        let text = seen.text().await;
        for part in [
            "12 readings",
            "20 °C",
            "25 °C",
            "1 line is bad",
            "Line 9: “2025-10-26 soon”",
        ] {
            assert!(text.contains(part), "{part}: {text}");
        }
        assert!(
            air(&daemon, "shelf").await.is_empty(),
            "looking stores nothing"
        );
        seen.picture("import-looked").await.unwrap();
        seen.is_clean(&daemon.http).await.unwrap();
        // In the page's own words, without reload.
        seen.tap("Store it").await.unwrap();
        seen.holds("12 readings stored").await.unwrap();
        seen.holds("Line 9: “2025-10-26 soon”").await.unwrap();
        seen.holds("told by the order of the lines").await.unwrap();
        seen.picture("import-stored").await.unwrap();
        seen.is_clean(&daemon.http).await.unwrap();
        let stored = air(&daemon, "shelf").await;
        assert_eq!(stored.len(), LOGGED.len());
        for ((time, value), (at, celsius)) in stored.iter().zip(LOGGED) {
            assert!(
                time == at && (value - celsius).abs() < 1e-9,
                "{time} {value}"
            );
        }
        // Once more: the header is known by now, and nothing is added.
        bring(&seen, &daemon, &file).await;
        seen.holds("The 3 lines above the columns").await.unwrap();
        let place: Option<String> = seen
            .script("document.querySelector('[name=place]').value")
            .await;
        assert_eq!(place.as_deref(), Some("cellar"));
        seen.tap("Store it").await.unwrap();
        seen.holds("0 readings stored, 12 were there already")
            .await
            .unwrap();
        assert_eq!(air(&daemon, "shelf").await, stored);
        // A long file tells how far it is.
        let mut long = String::from("time,temp\n");
        for n in 0..150_000_i64 {
            long.push_str(&format!("{},{}\n", 1_700_000_000 + n * 10, 20 + n % 7));
        }
        let file = kitchen.path("long.csv");
        std::fs::write(&file, long).unwrap();
        bring(&seen, &daemon, &file).await;
        seen.holds("The columns' names stand in line")
            .await
            .unwrap();
        seen.tap("Store it").await.unwrap();
        seen.holds("% is stored").await.unwrap();
        seen.picture("import-running").await.unwrap();
        let done = Duration::from_secs(120);
        wait_for("the long file to be stored", done, || async {
            let text = seen.text().await;
            text.contains("150000 readings stored").then_some(())
        })
        .await
        .unwrap();
        seen.is_clean(&daemon.http).await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_cannot_be_taken_is_told_why() {
    tls();
    let (browser, _profile) = chromium().await;
    for (width, height) in [(390, 844), (1280, 900)] {
        let kitchen = Kitchen::new("[display]\nzone = \"Europe/Oslo\"\n").unwrap();
        let daemon = kitchen.start().unwrap();
        let seen = Watched::new(&browser, width, height).await.unwrap();
        let write = |name: &str, text: &[u8]| {
            let file = kitchen.path(name);
            std::fs::write(&file, text).unwrap();
            file
        };
        let url = format!("{}/import", daemon.http);
        seen.open(&url, "import-empty").await.unwrap();
        seen.tap("Look at it").await.unwrap();
        seen.holds("Choose a file").await.unwrap();
        seen.picture("import-no-file").await.unwrap();

        // Nothing in it; a spreadsheet; and at once, without a reload, one that goes.
        seen.open(&url, "import-empty").await.unwrap();
        for (name, text, why) in [
            ("empty.csv", &b""[..], "The file is empty."),
            ("table.xlsx", b"PK\x03\x04\0\0", "save it as CSV"),
            (
                "bare.csv",
                b"2026-01-10 07:00,21\n",
                "Line 1 holds readings already",
            ),
        ] {
            seen.choose_file(&write(name, text)).await.unwrap();
            seen.tap("Look at it").await.unwrap();
            seen.holds(why).await.unwrap();
        }
        seen.picture("import-refused").await.unwrap();
        // A header and no line; its time is known by name, its values too.
        seen.choose_file(&write("rows.csv", b"Time,Temp\n"))
            .await
            .unwrap();
        seen.tap("Look at it").await.unwrap();
        seen.holds("What is in it").await.unwrap();
        seen.tap("Look at it").await.unwrap();
        seen.holds("No line stands below the columns' names.")
            .await
            .unwrap();
        seen.picture("import-no-rows").await.unwrap();
        seen.tap("Store it").await.unwrap();
        seen.holds("0 readings stored").await.unwrap();

        // No time that anybody could guess.
        bring(&seen, &daemon, &write("odd.csv", b"A,Temp\n17,21\n18,22\n")).await;
        seen.holds("What is in it").await.unwrap();
        seen.tap("Store it").await.unwrap();
        seen.holds("Say which column holds the time.")
            .await
            .unwrap();
        seen.picture("import-no-time").await.unwrap();
        // The wrong one: each line says so.
        seen.fill("[name=time]", "A").await.unwrap();
        seen.tap("Look at it").await.unwrap();
        seen.holds("Nothing would be stored.").await.unwrap();
        seen.holds("Line 2: “17”").await.unwrap();

        // Semicolons and decimal commas; a zone that is none; a header said to be elsewhere.
        let german = "Zeit;Temp;Feuchte\n10.01.2026 07:05;21,5;61,5\n10.01.2026 07:15;21,75;62\n";
        bring(&seen, &daemon, &write("regal.csv", german.as_bytes())).await;
        seen.holds("What is in it").await.unwrap();
        seen.fill("[name=zone]", "Oslo").await.unwrap();
        seen.tap("Store it").await.unwrap();
        seen.holds("“Oslo” is no time zone").await.unwrap();
        seen.picture("import-no-zone").await.unwrap();
        seen.fill("[name=zone]", "Europe/Oslo").await.unwrap();
        seen.fill("[name=header_line]", "9").await.unwrap();
        seen.tap("Store it").await.unwrap();
        seen.holds("Line 9 is empty, or not among").await.unwrap();
        seen.tap("Look at it").await.unwrap();
        seen.holds("21.8 °C").await.unwrap();
        seen.picture("import-semicolons").await.unwrap();
        seen.tap("Store it").await.unwrap();
        seen.holds("4 readings stored").await.unwrap();
        let stored = air(&daemon, "regal").await;
        let wanted = [
            ("2026-01-10T06:05:00Z", 21.5),
            ("2026-01-10T06:15:00Z", 21.75),
        ];
        assert_eq!(stored, wanted.map(|(t, v)| (t.to_owned(), v)));
        // Refusals were asked for; nothing else was complained of.
        assert!(seen.forgive(422) > 0);
        seen.is_clean(&daemon.http).await.unwrap();
    }
}
