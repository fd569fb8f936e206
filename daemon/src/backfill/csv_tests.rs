//! CSV files as loggers write them: the readings they hold were worked out by hand beside each.

use std::io::Cursor;

use super::*;
use crate::store::ReadingQuery;
use crate::store::sqlite::SqliteStore;

fn t(text: &str) -> UtcMs {
    UtcMs::parse(text).unwrap()
}

fn column(column: &str, quantity: Quantity, unit: Unit) -> Column {
    Column {
        column: column.into(),
        sensor: "shelf".into(),
        quantity,
        unit,
        place: None,
    }
}

fn mapping(values: Vec<Column>) -> Mapping {
    Mapping {
        name: "logger".into(),
        time: "time".into(),
        values,
        ..Mapping::default()
    }
}

fn air() -> Mapping {
    mapping(vec![column("temp", Quantity::AirTemperature, Unit::Cel)])
}

struct Place {
    store: SqliteStore,
    book: Book,
    _dir: tempfile::TempDir,
}

impl Place {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        Self {
            store: SqliteStore::open(dir.path()).unwrap(),
            book: Book::from_records(Vec::new()),
            _dir: dir,
        }
    }

    fn around(&self) -> Around<'_> {
        Around {
            book: &self.book,
            now: t("2026-06-01T00:00:00Z"),
            usual_zone: "Europe/Oslo",
        }
    }

    fn import(&self, text: &str, mapping: &Mapping, strict: bool) -> Report {
        let mut input = Cursor::new(text.as_bytes().to_vec());
        import(
            &self.store,
            &mut input,
            mapping,
            &self.around(),
            strict,
            &mut |_| true,
        )
        .unwrap()
    }

    fn stored(&self) -> Vec<StoredReading> {
        self.store
            .readings(&ReadingQuery {
                with_kept_out: true,
                ..ReadingQuery::default()
            })
            .unwrap()
    }
}

#[test]
fn a_file_with_a_mark_semicolons_and_decimal_commas_is_taken_as_it_is_meant() {
    let place = Place::new();
    let text = "\u{feff}time;temp;fukt;note\r\n10.01.2026 07:05;70,7;61,5;\"baked; twice\"\r\n10.01.2026 07:06;;62;\r\n\r\n10.01.2026 07:07:30;212;NaN;\r\n";
    let wanted = mapping(vec![
        column("temp", Quantity::AirTemperature, Unit::DegF),
        column("fukt", Quantity::Humidity, Unit::PercentRh),
    ]);
    let mut input = Cursor::new(text.as_bytes().to_vec());
    let begin = beginning(&mut input, Find::Guess, place.around().now).unwrap();
    assert_eq!(begin.header, ["time", "temp", "fukt", "note"]);
    assert_eq!(begin.rows[0][3], "baked; twice");
    let seen = preview(&mut input, &wanted, &place.around()).unwrap();
    assert_eq!(
        (seen.readings, seen.report.lines, seen.report.empty),
        (4, 3, 2)
    );
    assert_eq!(
        (seen.first[0].line, seen.first.last().unwrap().line),
        (2, 5)
    );
    assert_eq!(seen.report.from, Some(t("2026-01-10T06:05:00Z")));
    assert_eq!(seen.report.to, Some(t("2026-01-10T06:07:30Z")));
    assert!(place.stored().is_empty(), "a preview stores nothing");

    let report = place.import(text, &wanted, false);
    assert_eq!((report.stored, report.again, report.bad), (4, 0, 0));
    let stored = place.stored();
    // 70.7 °F is 21.5 °C; 212 °F boils water, and an oven's air may be that warm.
    assert!((stored[0].value - 21.5).abs() < 1e-9);
    assert_eq!(stored[0].raw, Some((70.7, Unit::DegF)));
    assert_eq!(stored[0].arrived, place.around().now);
    assert!((stored[3].value - 100.0).abs() < 1e-9);
    assert_eq!(stored[1].quantity, Quantity::Humidity);
}

#[test]
fn a_file_taken_twice_or_cut_off_and_repeated_stores_nothing_twice() {
    let place = Place::new();
    let mut text = "time,temp\n".to_owned();
    for i in 0..5_000 {
        let at = t("2026-01-10T06:00:00Z").plus_ms(i * 10_000);
        text.push_str(&format!("{},{}\n", at.0, 20.0 + (i % 50) as f64 / 10.0));
    }
    let half = text.lines().take(3_201).collect::<Vec<_>>().join("\n");
    assert_eq!(place.import(&half, &air(), false).stored, 3_200);
    let whole = place.import(&text, &air(), false);
    assert_eq!((whole.stored, whole.again), (1_800, 3_200));
    let again = place.import(&text, &air(), false);
    assert_eq!((again.stored, again.again), (0, 5_000));
    assert_eq!(place.stored().len(), 5_000);
}

#[test]
fn a_bad_line_is_named_and_with_strict_nothing_goes_in() {
    let place = Place::new();
    let text = "time,temp\n2026-01-10 07:05,21\nnever,22\n2026-01-10 07:07\n2026-01-10 07:08,warm\n2027-01-10 07:09,20\n2026-03-29 02:30,20\n2026-01-10 07:10,RH\n2026-01-10 07:11,-127\n";
    let strict = place.import(text, &air(), true);
    assert!(strict.refused && place.stored().is_empty());
    let report = place.import(text, &air(), false);
    let lines: Vec<u64> = report.bad_lines.iter().map(|b| b.line).collect();
    assert_eq!(lines, [3, 4, 5, 6, 7, 8]);
    for (bad, part) in report.bad_lines.iter().zip([
        "`never` is not a time",
        "too few",
        "column `temp`: `warm` is no number",
        "10 minutes ahead",
        "never was",
        "is no number",
    ]) {
        assert!(bad.reason.contains(part), "{}: {}", bad.line, bad.reason);
    }
    // The probe's fault value is stored, and kept out.
    assert_eq!((report.stored, report.kept_out), (2, 1));
}

#[test]
fn what_does_not_fit_is_said_before_anything_is_stored() {
    let place = Place::new();
    for (text, part) in [
        ("", "empty"),
        ("when;heat\n1;2\n", "no column `time`"),
        ("just one column\n1\n", "no header"),
        ("1768025100,21.5\n1768025160,21.6\n", "holds numbers"),
    ] {
        let mut input = Cursor::new(text.as_bytes().to_vec());
        let error = import(
            &place.store,
            &mut input,
            &air(),
            &place.around(),
            false,
            &mut |_| true,
        )
        .unwrap_err()
        .to_string();
        assert!(error.contains(part), "{error}");
    }
    assert!(place.stored().is_empty());
}

#[test]
fn lines_above_the_header_are_passed_over_and_lines_keep_their_numbers() {
    let place = Place::new();
    let text = "Logger,7\r\nStarted,2026-01-10 07:00\r\n\r\ntime,temp\r\n01/14/2026 07:05,21\r\nsoon,22\r\n01/02/2026 07:05,23\r\n";
    let mut input = Cursor::new(text.as_bytes().to_vec());
    let begin = beginning(&mut input, Find::Guess, place.around().now).unwrap();
    assert_eq!((begin.header_line, begin.rows.len()), (4, 3));
    let fourteenth = [Some(DateOrder::MonthFirst), None];
    assert_eq!(begin.dates, fourteenth, "there is no fourteenth month");
    let wanted = Mapping {
        dates: DateOrder::MonthFirst,
        ..air()
    };
    let report = place.import(text, &wanted, false);
    assert_eq!((report.stored, report.lines), (2, 3));
    assert_eq!(report.bad_lines[0].line, 6);
    assert_eq!(place.stored()[0].time, t("2026-01-02T06:05:00Z"));

    // A kept mapping finds its columns wherever they stand; another file's are none of its.
    let kept = vec![
        mapping(vec![column("heat", Quantity::AirTemperature, Unit::Cel)]),
        air(),
    ];
    let (found, begin) = known(&mut input, kept.clone(), place.around().now)
        .unwrap()
        .unwrap();
    assert_eq!((found, begin.header_line), (air(), 4));
    let mut other = Cursor::new(b"when,warmth\n2026-01-10 07:00,21\n".to_vec());
    assert_eq!(known(&mut other, kept, place.around().now).unwrap(), None);

    let empty = place.import("time,temp\n", &air(), false);
    assert_eq!((empty.lines, empty.stored), (0, 0));
    assert!(empty.notes[0].contains("no line stands below"));
}

#[test]
fn a_date_and_a_clock_time_in_columns_of_their_own_make_one_moment() {
    let place = Place::new();
    let text = "Site;cellar\nNo.;Date;Clock;temp\n1;01/10/26;11:55:00 PM;21\n2;01/11/26;12:05:00 AM;22\n3;01/11/26;;23\n4;;12:15:00 AM;24\n";
    let mut input = Cursor::new(text.as_bytes().to_vec());
    let begin = beginning(&mut input, Find::Guess, place.around().now).unwrap();
    assert_eq!((begin.header_line, begin.rows.len()), (2, 4));
    let guess = Mapping::guess(&begin, "shelf");
    assert_eq!(
        (guess.time.as_str(), guess.clock.as_deref(), guess.dates),
        ("Date", Some("Clock"), DateOrder::MonthFirst)
    );
    let report = place.import(text, &guess, false);
    assert_eq!((report.stored, report.bad), (2, 2));
    // Ten minutes over midnight, Oslo's clock being an hour ahead of UTC.
    let times: Vec<UtcMs> = place.stored().iter().map(|r| r.time).collect();
    assert_eq!(
        times,
        ["2026-01-10T22:55:00Z", "2026-01-10T23:05:00Z"].map(t)
    );
    for (bad, line, part) in [(0, 5, "no clock time"), (1, 6, "no date")] {
        let bad = &report.bad_lines[bad];
        assert!(bad.line == line && bad.reason.contains(part), "{bad:?}");
    }
    let report = preview(
        &mut input,
        &Mapping {
            clock: Some("Hour".into()),
            ..guess
        },
        &place.around(),
    );
    assert!(report.unwrap_err().to_string().contains("no column `Hour`"));
}

#[test]
fn the_hour_that_comes_twice_keeps_both_of_its_readings_and_says_so() {
    let place = Place::new();
    let text = "time,temp\n2025-10-26 02:00,20\n2025-10-26 02:30,21\n2025-10-26 02:00,22\n2025-10-26 02:30,23\n";
    let report = place.import(text, &air(), false);
    assert_eq!(report.stored, 4);
    assert!(report.notes[0].contains("twice"));
    let values: Vec<f64> = place.stored().iter().map(|r| r.value).collect();
    assert_eq!(values, [20.0, 21.0, 22.0, 23.0]);
}

#[test]
fn progress_ends_at_the_whole_and_a_place_is_found_by_the_sensors_name() {
    let mut place = Place::new();
    place.book.put(crate::batches::record::Record::Place(
        crate::batches::record::Place {
            name: "shelf".into(),
            ..Default::default()
        },
    ));
    let mut text = "time\ttemp\n".to_owned();
    for i in 0..3_000 {
        text.push_str(&format!("{}\t20\n", 1_768_025_100 + i));
    }
    let mut told = Vec::new();
    let mut input = Cursor::new(text.clone().into_bytes());
    import(
        &place.store,
        &mut input,
        &air(),
        &place.around(),
        false,
        &mut |p| {
            told.push(p);
            true
        },
    )
    .unwrap();
    assert!(told.len() >= 2 && told.iter().all(|p| p.of == text.len() as u64));
    assert_eq!(told.last().unwrap().done, text.len() as u64);
    assert!(
        place
            .stored()
            .iter()
            .all(|r| r.place.as_deref() == Some("shelf"))
    );
}
