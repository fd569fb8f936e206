//! Readings from another logger's CSV file: choosing it, saying once what its columns are, looking
//! at what will be stored, and what became of it.

use jiff::Timestamp;
use maud::{Markup, html};

use crate::assets;
use crate::controls;
use crate::frame::{Frame, Tab};
use crate::refusal;
use crate::sensors::{quantity_words, reason_words, value_words};
use crate::show::Show;

/// What a column can be: the form's word, and what the page calls it.
pub const MEASURES: [(&str, &str); 9] = [
    ("air_temperature:Cel", "air, °C"),
    ("air_temperature:degF", "air, °F"),
    ("humidity:%RH", "humidity, %"),
    ("dough_temperature:Cel", "dough, °C"),
    ("dough_temperature:degF", "dough, °F"),
    ("surface_temperature:Cel", "surface, °C"),
    ("surface_temperature:degF", "surface, °F"),
    ("dough_height:m", "dough height, m"),
    ("battery:%EL", "battery, %"),
];

/// How dates can be written that do not begin with a year of four digits, likewise.
pub const DATES: [(&str, &str); 3] = [
    ("day_first", "day, month, year: 10/1/2026 is in January"),
    ("month_first", "month, day, year: 1/10/2026 is in January"),
    ("year_first", "year, month, day: 26/1/10 is in January"),
];

/// A file that is here, and how far it is.
#[derive(Clone, Debug)]
pub struct File {
    /// Its number.
    pub id: String,
    /// Its name.
    pub name: String,
    /// When it came.
    pub at: Timestamp,
    /// How far it is.
    pub state: State,
}

/// How far a file is.
#[derive(Clone, Debug)]
pub enum State {
    /// Nothing is stored yet.
    Waiting,
    /// So many per cent are stored.
    Running(u64),
    /// What became of it.
    Done(Counts),
    /// Why it ended early.
    Failed(String),
}

/// Counts of a run or of a preview.
#[derive(Clone, Debug, Default)]
pub struct Counts {
    /// Lines read.
    pub lines: u64,
    /// Readings in them.
    pub readings: u64,
    /// Newly stored.
    pub stored: u64,
    /// There already.
    pub again: u64,
    /// Kept out of the forecasts.
    pub kept_out: u64,
    /// Cells without a number.
    pub empty: u64,
    /// Bad lines.
    pub bad: u64,
    /// The first of them: number and reason.
    pub bad_lines: Vec<(u64, String)>,
    /// From when to when.
    pub span: Option<(Timestamp, Timestamp)>,
    /// One sentence each.
    pub notes: Vec<String>,
    /// Nothing went in.
    pub refused: bool,
}

/// One column as the form has it.
#[derive(Clone, Debug, Default)]
pub struct Column {
    /// Its name in the header.
    pub name: String,
    /// One of [`MEASURES`], or empty: left out.
    pub measures: String,
    /// The sensor whose readings these are.
    pub sensor: String,
    /// It holds the time or a part of it: what was said of it waits, unseen.
    pub is_time: bool,
}

/// One reading as it will be stored.
#[derive(Clone, Debug)]
pub struct Reading {
    /// The line it stands in.
    pub line: u64,
    /// When it was true.
    pub at: Timestamp,
    /// Which sensor.
    pub sensor: String,
    /// The quantity's word.
    pub quantity: String,
    /// In the stored unit.
    pub value: f64,
    /// Why it is kept out.
    pub kept_out: Option<String>,
}

/// The form for one file, as last filled in.
#[derive(Clone, Debug, Default)]
pub struct Form {
    /// The file's number.
    pub id: String,
    /// Its name.
    pub file: String,
    /// The header.
    pub header: Vec<String>,
    /// Its line, from 1.
    pub header_line: u64,
    /// The first rows as they stand there.
    pub rows: Vec<Vec<String>>,
    /// The column with the time, or its date.
    pub time: String,
    /// The column with the clock time, where it stands apart; or empty.
    pub clock: String,
    /// The zone.
    pub zone: String,
    /// One of [`DATES`]: how dates are written.
    pub dates: String,
    /// Whether that makes a difference in this file.
    pub dates_matter: bool,
    /// Where the logger stood.
    pub place: String,
    /// The name it is kept under.
    pub keep: String,
    /// Nothing goes in when a line is bad.
    pub strict: bool,
    /// The other columns.
    pub columns: Vec<Column>,
    /// Places to choose from.
    pub places: Vec<String>,
    /// Why what was typed cannot be.
    pub wrong: Option<String>,
    /// What would be stored.
    pub preview: Option<(Vec<Reading>, Counts)>,
}

/// The list of files, with a way to bring another.
#[must_use]
pub fn list(
    files: &[File],
    kept: &[String],
    frame: &Frame,
    wrong: Option<&str>,
    typed: &str,
) -> Markup {
    let show = &frame.show;
    frame.page(
        Some(Tab::Sensors),
        "Readings from a file",
        &html! {
            h1 { "Readings from a file" }
            @if let Some(wrong) = wrong { p.wrong role="alert" { (wrong) } }
            p { "A logger that does not send can still be read: bring its CSV file. You see what will be stored before anything is, and a file brought twice changes nothing." }
            form.act #bring data-send="/import/file" method="post" action="/import" {
                div.only-script hidden {
                    (controls::field("The file", &html! { input #file type="file" accept=".csv,.txt,.tsv,text/csv,text/plain"; }))
                    p.wrong #bring-wrong role="alert" hidden {}
                }
                details open[!typed.is_empty()] { summary { "Or paste its lines" }
                    (controls::field("Lines, the names of the columns first", &html! { textarea name="text" rows="8" spellcheck="false" { (typed) } }))
                }
                button.wide.main type="submit" { "Look at it" }
            }
            @if !kept.is_empty() { p.small { "Known headers: " (kept.join(", ")) "." } }
            section #files data-live {
                @for file in files { article.card {
                    h2 { a href={ "/import/" (file.id) } { (file.name) } }
                    p.small { (show.ago(file.at)) }
                    (state(&file.state, show))
                } }
            }
            script type="module" src=(assets::url("import.js")) {}
        },
    )
}

fn state(state: &State, show: &Show) -> Markup {
    html! {
        @match state {
            State::Waiting => p { "Nothing is stored yet." },
            State::Running(percent) => div.progress role="status" { span { (percent) " % is stored" } progress max="100" value=(percent) { } },
            State::Done(counts) => (done(counts, show)),
            State::Failed(why) => p.wrong role="alert" { (refusal::said(why, show)) " What came before it is stored; bring the file again to go on." },
        }
    }
}

fn done(c: &Counts, show: &Show) -> Markup {
    html! {
        @if c.refused {
            p.wrong role="alert" { "Nothing was stored, because of bad lines." }
        } @else {
            p role="status" { b { (many(c.stored, "reading")) } " stored"
                @if c.again > 0 { ", " (c.again) " were there already" }
                @if c.kept_out > 0 { ", " (c.kept_out) " of the new ones kept out because they cannot be true" } "." }
        }
        (counts(c, show))
    }
}

/// `1 line`, `2 lines`.
fn many(n: u64, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

fn counts(c: &Counts, show: &Show) -> Markup {
    html! {
        p.small { (many(c.lines, "line"))
            @if let Some((from, to)) = c.span { ", from " (show.when(from)) " to " (show.when(to)) }
            @if c.empty > 0 { ", " (many(c.empty, "cell")) " without a number" } "." }
        @for note in &c.notes { p.hint { (note) } }
        @if c.bad > 0 {
            p.wrong { (many(c.bad, "line")) @if c.bad == 1 { " is bad:" } @else { " are bad:" } }
            ul { @for (line, why) in &c.bad_lines { li { "Line " (line) ": " (refusal::part(why, show)) } }
                @if c.bad > c.bad_lines.len() as u64 { li { "and " (c.bad - c.bad_lines.len() as u64) " more." } } }
        }
    }
}

/// One file: its form, or how far it is.
#[must_use]
pub fn one(file: &File, form: Option<&Form>, frame: &Frame) -> Markup {
    let show = &frame.show;
    let main = html! {
            h1 { (file.name) }
            section #file-state data-live { (state(&file.state, show)) }
            @if let Some(form) = form { (form_of(form, show)) }
            div.grid.two {
                a.button href="/import" { "All files" }
                a.button href="/sensors" { "To the sensors" }
            }
    };
    let answers = form.is_some_and(|f| f.preview.is_some() || f.wrong.is_some());
    let tab = Some(Tab::Sensors);
    if answers {
        frame.answer(tab, &file.name, &main)
    } else {
        frame.page(tab, &file.name, &main)
    }
}

fn form_of(f: &Form, show: &Show) -> Markup {
    html! {
        @if let Some(wrong) = &f.wrong { p.wrong role="alert" { (refusal::said(wrong, show)) } }
        @if let Some((first, c)) = &f.preview {
            section #preview {
                h2 { "As it will be stored" }
                @if first.is_empty() { p { b { "Nothing would be stored." } } } @else {
                p { b { (many(c.readings, "reading")) } @if c.readings > first.len() as u64 { ", of which the first are" } ":" }
                div.scroll { table { thead { tr { th { "Line" } th { "When" } th { "Sensor" } th { "Value" } } }
                    tbody { @for r in first { tr {
                        td { (r.line) } td { (show.when(r.at)) } td { (r.sensor) " " (quantity_words(&r.quantity)) }
                        td { (value_words(&r.quantity, r.value, show)) @if let Some(why) = &r.kept_out { " (kept out: " (reason_words(why)) ")" } }
                    } } } } } }
                (counts(c, show))
                @if !first.is_empty() {
                    button.wide.main type="submit" form="mapping" name="do" value="take" { "Store it" }
                }
            }
        }
        form.act #mapping method="post" action={ "/import/" (f.id) } {
            h2 { "What is in it" }
            @if f.header_line > 1 { p.hint {
                @if f.header_line == 2 { "The line" } @else { "The " (f.header_line - 1) " lines" } " above the columns' names " @if f.header_line == 2 { "is" } @else { "are" } " passed over."
            } }
            div.scroll { table { thead { tr { @for name in &f.header { th { (name) } } } }
                tbody { @for row in &f.rows { tr { @for cell in row { td { (cell) } } } } } } }
            input type="hidden" name="header_shown" value=(f.header_line);
            (controls::field("The columns' names stand in line", &html! { input.short type="number" name="header_line" min="1" step="1" inputmode="numeric" value=(f.header_line); }))
            input type="hidden" name="time_shown" value=(f.time);
            (controls::field("The time is in", &html! { select name="time" {
                @if !f.header.contains(&f.time) { option value="" selected { "choose a column" } }
                @for name in &f.header { option value=(name) selected[*name == f.time] { (name) } }
            } }))
            (controls::field("Its clock time is in", &html! { select name="clock" {
                option value="" selected[f.clock.is_empty()] { "the same column" }
                @for name in &f.header { option value=(name) selected[*name == f.clock] { (name) } }
            } }))
            (controls::field("Its time zone, where a time says none: like Europe/Oslo, or +01:00 for a logger that keeps winter time", &html! { input type="text" name="zone" value=(f.zone) maxlength="64"; }))
            @if f.dates_matter {
                (controls::field("Its dates are written", &html! { select name="dates" {
                    @for (word, words) in DATES { option value=(word) selected[word == f.dates] { (words) } }
                } }))
            } @else { input type="hidden" name="dates" value=(f.dates); }
            fieldset { legend { "The other columns" }
                @for c in &f.columns {
                    input type="hidden" name="column" value=(c.name);
                    @if c.is_time {
                        input type="hidden" name="measures" value=(c.measures);
                        input type="hidden" name="sensor" value=(c.sensor);
                    } @else { div.row {
                        (controls::field(&c.name, &html! { select name="measures" {
                            option value="" selected[c.measures.is_empty()] { "leave it out" }
                            @for (word, words) in MEASURES { option value=(word) selected[word == c.measures] { (words) } }
                        } }))
                        (controls::field("Sensor", &html! { input type="text" name="sensor" value=(c.sensor) maxlength="64"; }))
                    } }
                }
            }
            (controls::field("It stood in", &html! { input type="text" name="place" value=(f.place) maxlength="64" list="places"; }))
            datalist #places { @for p in &f.places { option value=(p) {} } }
            (controls::field("Keep this under a name, for the next file of this logger", &html! { input type="text" name="keep" value=(f.keep) maxlength="64"; }))
            label.choice { input type="checkbox" name="strict" value="yes" checked[f.strict]; span { "Store nothing if a line is bad" } }
            div.grid.two {
                button type="submit" name="do" value="look" { "Look at it" }
                button.main type="submit" name="do" value="take" { "Store it" }
            }
        }
    }
}
