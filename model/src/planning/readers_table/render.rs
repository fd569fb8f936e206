//! The table as text, CSV (RFC 4180) and HTML, to paste into a published recipe.

use super::super::words::{rounded, time_in_words};
use super::super::{fahrenheit, rise_in_words, span_in_words};
use super::{Caution, ReadersTable, Span};
use std::fmt::Write as _;

/// A piece of HTML text: the five characters that mean something there are named.
pub(super) fn html(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// A CSV field; what a spreadsheet would take for a formula is given as text.
pub(super) fn csv_field(text: &str) -> String {
    let text = if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        format!("'{text}")
    } else {
        text.to_owned()
    };
    if text.contains([',', '"', '\r', '\n']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text
    }
}

fn degrees(c: f64) -> String {
    format!("{c:.0} °C ({} °F)", fahrenheit(c))
}

impl ReadersTable {
    /// What the times stand on: size and starting temperature.
    ///
    /// ```
    /// use doughwarden_model::planning::{Kitchens, ReadersRecipe, ReadersTable};
    /// let table = ReadersTable::new(&ReadersRecipe::example(), Kitchens::unknown(), 2.0)?;
    /// assert!(table.basis().contains("840"), "{}", table.basis());
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn basis(&self) -> String {
        let r = &self.recipe;
        let size = match r.pieces {
            Some(n) if n > 1 => format!(
                "{:.0} g of dough in {n} pieces of about {:.0} g",
                r.dough_g,
                r.dough_g / f64::from(n)
            ),
            _ => format!("{:.0} g of dough in one piece", r.dough_g),
        };
        format!(
            "For {size}, {} when it leaves the mixer. A bigger batch or a warmer dough is ready sooner in a cool room.",
            degrees(r.dough_c)
        )
    }

    /// How sure the times are, in a baker's words.
    ///
    /// ```
    /// use doughwarden_model::planning::{Kitchens, ReadersRecipe, ReadersTable};
    /// let table = ReadersTable::new(&ReadersRecipe::example(), Kitchens::unknown(), 2.0)?;
    /// assert!(!table.trust().is_empty());
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn trust(&self) -> String {
        let bakes = match self.recipe.bakes {
            0 => "No bake of this dough is logged yet: the times come from the recipe alone."
                .to_owned(),
            1 => "The times come from 1 bake in one kitchen".to_owned(),
            n => format!("The times come from {n} bakes in one kitchen"),
        };
        let testers = match (self.recipe.bakes, self.kitchens.testers) {
            (0, 0) => String::new(),
            (_, 0) => "; nobody has tried it elsewhere yet.".to_owned(),
            (0, n) => format!(" Testers in other kitchens: {n}."),
            (_, 1) => " and 1 elsewhere.".to_owned(),
            (_, n) => format!(" and {n} elsewhere."),
        };
        format!(
            "{bakes}{testers} Eight kitchens in ten should find theirs within these ranges; other yeast, flour and thermometers are counted. Go by the dough, not the clock."
        )
    }

    /// The line for the fridge.
    ///
    /// ```
    /// use doughwarden_model::planning::{Kitchens, ReadersRecipe, ReadersTable};
    /// let table = ReadersTable::new(&ReadersRecipe::example(), Kitchens::unknown(), 2.0)?;
    /// assert!(table.fridge_line().to_lowercase().contains("fridge"));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn fridge_line(&self) -> String {
        let (short, long) = (self.after_short_night, self.after_long_night);
        let pick = |a: Option<f64>, b: Option<f64>, high: bool| match (a, b) {
            (Some(a), Some(b)) => Some(if high { a.max(b) } else { a.min(b) }),
            _ => None,
        };
        let both = Span {
            low_min: pick(short.low_min, long.low_min, false),
            middle_min: None,
            high_min: pick(short.high_min, long.high_min, true),
        };
        let before = if self.before_night_min > 0.0 {
            "half an hour at room temperature, then covered and"
        } else {
            "covered and straight"
        };
        let morning = match (both.low_min, both.high_min) {
            (_, Some(high)) if high < 20.0 => "By then bulk is done: shape it cold.".to_owned(),
            (Some(low), Some(high)) if low < 20.0 => format!(
                "It still grows while it cools, so look at it: in some kitchens bulk is done by then, in others it takes up to {} more at {}.",
                time_in_words(high),
                degrees(21.0)
            ),
            _ => format!(
                "It hardly grows once cold; out of it at {} bulk takes another {}.",
                degrees(21.0),
                span_in_words(&both)
            ),
        };
        format!(
            "Overnight: {before} into the fridge at about {} for 8 to 16 hours. {morning}",
            degrees(4.0)
        )
    }

    /// What to look and feel for.
    ///
    /// ```
    /// use doughwarden_model::planning::{Kitchens, ReadersRecipe, ReadersTable};
    /// let table = ReadersTable::new(&ReadersRecipe::example(), Kitchens::unknown(), 2.0)?;
    /// assert!(!table.cue().is_empty());
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn cue(&self) -> String {
        let look = |rise: Option<f64>| rise.map_or("visibly grown", rise_in_words);
        format!(
            "Bulk is done when the dough has {}, is domed and full of bubbles at the edge. \
             The final proof is done when the pieces have {} and the dent of a floured finger comes back slowly and not all the way. \
             Springs back at once: longer. Stays: bake now.",
            look(self.recipe.bulk_rise),
            look(self.recipe.final_rise),
        )
    }

    /// What to mind.
    ///
    /// ```
    /// use doughwarden_model::planning::{Kitchens, ReadersRecipe, ReadersTable};
    /// let table = ReadersTable::new(&ReadersRecipe::example(), Kitchens::unknown(), 2.0)?;
    /// assert!(table.cautions().iter().any(|c| c.to_lowercase().contains("egg")));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn cautions(&self) -> Vec<String> {
        let mut out = Vec::new();
        let r = &self.recipe;
        if let Some(c) = r.ceiling_c {
            out.push(format!("Keep this dough below {}.", degrees(c)));
        }
        let (egg, milk) = (
            r.cautions.contains(&Caution::Egg),
            r.cautions.contains(&Caution::Milk),
        );
        if egg || milk {
            let what = match (egg, milk) {
                (true, true) => "egg and milk",
                (true, false) => "egg",
                _ => "milk",
            };
            out.push(format!("Raw {what} in it: do not leave it warm for longer than it needs. Your local food rules decide, not this table."));
        }
        if r.cautions.contains(&Caution::OvenLight) {
            out.push("In an oven use the light only, never the heat; take dough, cloths and plastic out before anyone preheats it, and leave a note on the door.".to_owned());
        }
        out
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = vec![self.fridge_line(), self.cue()];
        notes.extend(self.cautions());
        notes.push(self.trust());
        notes
    }

    /// Plain text, columns lined up.
    ///
    /// ```
    /// use doughwarden_model::planning::{Kitchens, ReadersRecipe, ReadersTable};
    /// let table = ReadersTable::new(&ReadersRecipe::example(), Kitchens::unknown(), 2.0)?;
    /// assert!(table.text().contains("°F"));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn text(&self) -> String {
        let mut out = format!("{}: proof times\n{}\n\n", self.recipe.name, self.basis());
        let _ = writeln!(out, "{:<16}{:<40}Final proof", "Room", "Bulk");
        for row in &self.rows {
            let warm = if row.too_warm {
                "  (too warm for this dough)"
            } else {
                ""
            };
            let room = format!("{:.0} °C / {} °F", row.room_c, fahrenheit(row.room_c));
            let _ = writeln!(
                out,
                "{room:<16}{:<40}{}{warm}",
                span_in_words(&row.bulk),
                span_in_words(&row.final_proof)
            );
        }
        for note in self.notes() {
            let _ = write!(out, "\n{note}\n");
        }
        out
    }

    /// CSV by RFC 4180, a header line first; minutes, rounded as recipes round.
    ///
    /// ```
    /// use doughwarden_model::planning::{Kitchens, ReadersRecipe, ReadersTable};
    /// let csv = ReadersTable::new(&ReadersRecipe::example(), Kitchens::unknown(), 5.0)?.csv();
    /// assert!(csv.starts_with("recipe,dough_g,dough_c,dough_f,room_c,room_f,bulk_from_min,bulk_to_min,"));
    /// assert_eq!(csv.lines().count(), 4);
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn csv(&self) -> String {
        let mut out = String::from(
            "recipe,dough_g,dough_c,dough_f,room_c,room_f,bulk_from_min,bulk_to_min,final_from_min,final_to_min,note\r\n",
        );
        let number = |m: Option<f64>| m.map_or(String::new(), |m| format!("{m:.0}"));
        let ends = |s: &Span| {
            format!(
                "{},{}",
                number(s.low_min.map(rounded)),
                number(s.high_min.map(rounded))
            )
        };
        for row in &self.rows {
            let _ = write!(
                out,
                "{},{:.0},{:.0},{},{:.0},{},{},{},{}\r\n",
                csv_field(&self.recipe.name),
                self.recipe.dough_g,
                self.recipe.dough_c,
                fahrenheit(self.recipe.dough_c),
                row.room_c,
                fahrenheit(row.room_c),
                ends(&row.bulk),
                ends(&row.final_proof),
                if row.too_warm {
                    "too warm for this dough"
                } else {
                    ""
                },
            );
        }
        out
    }

    /// A table and its notes as HTML, without styles, to paste.
    ///
    /// ```
    /// use doughwarden_model::planning::{Kitchens, ReadersRecipe, ReadersTable};
    /// let table = ReadersTable::new(&ReadersRecipe::example(), Kitchens::unknown(), 2.0)?;
    /// assert!(table.html().contains("<table"));
    /// # Ok::<(), doughwarden_model::refusal::Refusal>(())
    /// ```
    pub fn html(&self) -> String {
        let mut out = format!(
            "<table>\n<caption>{}: proof times</caption>\n<thead><tr><th scope=\"col\">Room</th><th scope=\"col\">Bulk</th><th scope=\"col\">Final proof</th></tr></thead>\n<tbody>\n",
            html(&self.recipe.name)
        );
        for row in &self.rows {
            let warm = if row.too_warm {
                " (too warm for this dough)"
            } else {
                ""
            };
            let _ = writeln!(
                out,
                "<tr><th scope=\"row\">{:.0} °C / {} °F</th><td>{}</td><td>{}{warm}</td></tr>",
                row.room_c,
                fahrenheit(row.room_c),
                html(&span_in_words(&row.bulk)),
                html(&span_in_words(&row.final_proof)),
            );
        }
        let _ = write!(out, "</tbody>\n</table>\n<p>{}</p>\n", html(&self.basis()));
        for note in self.notes() {
            let _ = writeln!(out, "<p>{}</p>", html(&note));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::{Kitchens, ReadersRecipe};
    use super::*;
    use proptest::prelude::*;

    fn table(name: &str) -> ReadersTable {
        let mut recipe = ReadersRecipe {
            name: name.to_owned(),
            ..ReadersRecipe::example()
        };
        recipe.cautions.push(Caution::OvenLight);
        ReadersTable::new(&recipe, Kitchens::unknown(), 2.0).expect("valid")
    }

    #[test]
    fn nothing_pasted_can_run() {
        // The five characters of the HTML standard's text and attribute escaping.
        let page = table("<script>alert('x')</script> & \"buns\"").html();
        assert!(
            !page.contains("<script")
                && page.contains(
                    "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt; &amp; &quot;buns&quot;"
                )
        );
        assert_eq!(page.matches("<tr>").count(), 7);
        assert_eq!(page.matches('<').count(), page.matches('>').count());
    }

    #[test]
    fn a_csv_reader_reads_it_back() {
        // The csv crate, a reader of RFC 4180, is the judge.
        let name = "Buns, \"plain\"\nand = so on";
        let text = table(name).csv();
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        assert_eq!(reader.headers().expect("header").len(), 11);
        let rows: Vec<csv::StringRecord> = reader
            .records()
            .collect::<Result<_, _>>()
            .expect("well formed");
        assert_eq!(rows.len(), 6);
        assert!(rows.iter().all(|r| &r[0] == name));
        let number = |r: &csv::StringRecord, i: usize| r[i].parse::<f64>().expect("a number");
        assert!(
            rows.iter()
                .all(|r| number(r, 6) < number(r, 7) && number(r, 8) < number(r, 9))
        );
        assert!((number(&rows[0], 5) - 64.0).abs() < 1e-9); // 18 °C = 64.4 °F
        assert_eq!(csv_field("=1+1"), "'=1+1");
    }

    #[test]
    fn it_says_what_it_stands_on() {
        let text = table("Lantern buns").text();
        for needed in [
            "840 g",
            "14 pieces of about 60 g",
            "25 °C (77 °F)",
            "28 °C / 82 °F",
            "fridge",
            "dent",
            "Eight kitchens in ten",
            "12 bakes",
            "local food rules",
            "never the heat",
            "four fifths",
        ] {
            assert!(text.contains(needed), "{needed} in\n{text}");
        }
        for statistician in [
            "median",
            "standard deviation",
            "quantile",
            "percentile",
            "confidence",
        ] {
            assert!(!text.contains(statistician));
        }
    }

    proptest! {
        #[test]
        fn no_name_breaks_html_or_csv(name in ".{0,40}") {
            static PLAIN: std::sync::LazyLock<ReadersTable> = std::sync::LazyLock::new(|| table("x"));
            let t = PLAIN.clone();
            let t = ReadersTable { recipe: ReadersRecipe { name: name.clone(), ..t.recipe.clone() }, ..t };
            let page = t.html();
            prop_assert_eq!(page.matches('<').count(), PLAIN.html().matches('<').count());
            let text = t.csv();
            let mut reader = csv::Reader::from_reader(text.as_bytes());
            prop_assert!(reader.records().all(|r| r.is_ok_and(|r| r.len() == 11)));
        }
    }
}
