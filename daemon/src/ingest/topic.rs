//! Topic filters: which topics a mapping claims, and what its wildcards stood for.
//!
//! Our own, by whole levels: the client library's public `matches` cuts the topic's first *byte*
//! and panics on a topic that begins with a letter outside ASCII (nothing inside that library
//! calls it, and nothing here may). Rules as in MQTT 5.0, section 4.7.

use smallvec::SmallVec;
use smol_str::{SmolStr, SmolStrBuilder};

/// What a filter's wildcards stand for.
pub type Captures<'t> = SmallVec<[&'t str; 2]>;

/// A topic filter, checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Filter(String);

/// Longest topic MQTT can carry, bytes (its length is a two-byte number).
const LONGEST: usize = 65_535;

impl Filter {
    /// Checks a filter.
    ///
    /// # Errors
    /// One line: what is wrong with it.
    pub fn parse(text: &str) -> Result<Self, String> {
        if text.is_empty() || text.len() > LONGEST {
            return Err("the topic is empty or too long".into());
        }
        if text.contains('\0') {
            return Err("the topic holds a zero character".into());
        }
        let levels: Vec<&str> = text.split('/').collect();
        for (i, level) in levels.iter().enumerate() {
            if level.contains('#') && (*level != "#" || i + 1 != levels.len()) {
                return Err(format!(
                    "topic `{text}`: `#` stands alone and only at the end"
                ));
            }
            if level.contains('+') && *level != "+" {
                return Err(format!("topic `{text}`: `+` stands for a whole level"));
            }
        }
        Ok(Self(text.to_owned()))
    }

    /// As written.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Whether it names one topic only.
    #[must_use]
    pub fn is_exact(&self) -> bool {
        !self.0.split('/').any(|level| level == "+" || level == "#")
    }

    /// Whether every topic of another filter is one of this.
    #[must_use]
    pub fn covers(&self, other: &Self) -> bool {
        if other.0.starts_with('$') && (self.0.starts_with('+') || self.0.starts_with('#')) {
            return false;
        }
        let mut theirs = other.0.split('/');
        for level in self.0.split('/') {
            match (level, theirs.next()) {
                // It stands for the level above, too.
                ("#", _) => return true,
                (_, None) | ("+", Some("#")) => return false,
                ("+", Some(_)) => {}
                (level, Some(their)) if level == their => {}
                _ => return false,
            }
        }
        theirs.next().is_none()
    }

    /// What each wildcard stands for, if the topic fits; `#` stands for all that is left.
    #[must_use]
    pub fn captures<'t>(&self, topic: &'t str) -> Option<Captures<'t>> {
        // A wildcard in front never means a broker's own topics.
        if topic.starts_with('$') && (self.0.starts_with('+') || self.0.starts_with('#')) {
            return None;
        }
        let mut found = Captures::new();
        let mut rest = Some(topic);
        for level in self.0.split('/') {
            if level == "#" {
                found.push(rest.unwrap_or(""));
                return Some(found);
            }
            let (head, tail) = match rest?.split_once('/') {
                Some((head, tail)) => (head, Some(tail)),
                None => (rest?, None),
            };
            if level == "+" {
                found.push(head);
            } else if level != head {
                return None;
            }
            rest = tail;
        }
        rest.is_none().then_some(found)
    }
}

/// Puts the wildcards' texts where the pattern says `{1}`, `{2}`, ….
#[must_use]
pub fn fill(pattern: &str, captures: &[&str]) -> SmolStr {
    if !pattern.contains('{') {
        return pattern.into();
    }
    let mut out = SmolStrBuilder::new();
    let mut rest = pattern;
    while let Some(open) = rest.find('{') {
        let (before, from) = rest.split_at(open);
        out.push_str(before);
        let filled = from.find('}').and_then(|close| {
            let number: usize = from.get(1..close)?.parse().ok()?;
            let text = captures.get(number.checked_sub(1)?)?;
            Some((*text, from.get(close + 1..)?))
        });
        if let Some((text, after)) = filled {
            out.push_str(text);
            rest = after;
        } else {
            out.push('{');
            rest = from.get(1..).unwrap_or("");
        }
    }
    out.push_str(rest);
    out.finish()
}

/// Whether `name` could have come from `pattern` (for a sensor known only from its stored readings).
#[must_use]
pub fn could_be(pattern: &str, name: &str) -> bool {
    let pieces = literal_pieces(pattern);
    let (Some(first), Some(last)) = (pieces.first(), pieces.last()) else {
        return false;
    };
    if pieces.len() == 1 {
        return first == name;
    }
    let Some(mut left) = name.strip_prefix(first.as_str()) else {
        return false;
    };
    for piece in pieces.get(1..pieces.len() - 1).unwrap_or(&[]) {
        match left.split_once(piece.as_str()) {
            Some((_, after)) => left = after,
            None => return false,
        }
    }
    left.ends_with(last.as_str())
}

/// What stands between a pattern's `{1}`, `{2}`, ….
fn literal_pieces(pattern: &str) -> Vec<String> {
    let (mut pieces, mut piece) = (Vec::new(), String::new());
    let mut rest = pattern;
    while let Some((before, after)) = rest.split_once('{') {
        piece.push_str(before);
        match after.split_once('}') {
            Some((number, behind)) if number.parse::<usize>().is_ok() => {
                pieces.push(std::mem::take(&mut piece));
                rest = behind;
            }
            _ => {
                piece.push('{');
                rest = after;
            }
        }
    }
    piece.push_str(rest);
    pieces.push(piece);
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// A filter covers another where it fits all topics the other fits (MQTT 5.0, section 4.7): of
        /// short ones over two letters all are tried.
        #[test]
        fn a_filter_covers_another_as_the_topics_show(
            a in "(([ab+])/){0,2}([ab+#])",
            b in "(([ab+])/){0,2}([ab+#])",
        ) {
            // `+/#` is every topic, too; of the two only `#` is said to cover, so that one of them stays.
            prop_assume!((a.as_str(), b.as_str()) != ("+/#", "#"));
            let letters = ["a", "b", "c", ""];
            let mut topics: Vec<String> = letters.iter().map(|l| (*l).to_owned()).collect();
            for _ in 0..3 {
                let longer = topics.iter().flat_map(|t| letters.map(|l| format!("{t}/{l}")));
                topics = topics.iter().cloned().chain(longer).collect();
                topics.sort_unstable();
                topics.dedup();
            }
            let (a, b) = (Filter::parse(&a).unwrap(), Filter::parse(&b).unwrap());
            let fits = |f: &Filter, t: &String| f.captures(t).is_some();
            let all = topics.iter().all(|t| !fits(&b, t) || fits(&a, t));
            prop_assert_eq!(a.covers(&b), all);
        }
    }

    #[test]
    fn a_wildcard_in_front_covers_no_topic_of_the_broker() {
        let of = |text| Filter::parse(text).unwrap();
        assert!(!of("#").covers(&of("$SYS/load")));
        assert!(of("$SYS/#").covers(&of("$SYS/load")));
    }

    /// The examples of MQTT 5.0 (OASIS Standard, 7 March 2019), section 4.7.1.
    #[test]
    fn the_standards_examples_match_as_it_says() {
        let fits =
            |filter: &str, topic: &str| Filter::parse(filter).unwrap().captures(topic).is_some();
        for topic in [
            "sport/tennis/player1",
            "sport/tennis/player1/ranking",
            "sport/tennis/player1/score/wimbledon",
        ] {
            assert!(fits("sport/tennis/player1/#", topic), "{topic}");
        }
        assert!(fits("sport/#", "sport"));
        assert!(fits("#", "sport/tennis"));
        assert!(fits("sport/tennis/+", "sport/tennis/player1"));
        assert!(!fits("sport/tennis/+", "sport/tennis/player1/ranking"));
        assert!(!fits("sport/+", "sport"));
        assert!(fits("sport/+", "sport/"));
        assert!(fits("+/+", "/finance"));
        assert!(fits("/+", "/finance"));
        assert!(!fits("+", "/finance"));
        assert!(!fits("#", "$SYS/broker"));
        assert!(!fits("+/monitor/Clients", "$SYS/monitor/Clients"));
        assert!(fits("$SYS/#", "$SYS/monitor"));
        for bad in [
            "sport/tennis#",
            "sport/tennis/#/ranking",
            "sport+",
            "",
            "a/#b",
        ] {
            assert!(Filter::parse(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn wildcards_name_sensors_and_back() {
        let filter = Filter::parse("køkken/+/state/#").unwrap();
        let found = filter.captures("køkken/æble/state/a/b").unwrap();
        assert_eq!(found.as_slice(), ["æble", "a/b"]);
        assert_eq!(
            fill("probe {1} ({2}) {3} {", &found),
            "probe æble (a/b) {3} {"
        );
        assert!(could_be("probe {1}", "probe æble"));
        assert!(could_be("{1}", "anything"));
        assert!(could_be("a{1}b{2}c", "axbyc"));
        assert!(!could_be("a{1}b{2}c", "axyc"));
        assert!(!could_be("box", "boxes"));
        assert!(could_be("box", "box"));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(10_000))]
        #[test]
        fn no_topic_or_filter_panics(filter in "\\PC{0,12}|[+#/aå$]{0,10}", topic in "\\PC{0,12}|[+#/aå$]{0,10}", pattern in "[{}0-9aå]{0,12}") {
            if let Ok(filter) = Filter::parse(&filter) {
                if let Some(found) = filter.captures(&topic) {
                    let name = fill(&pattern, &found);
                    let _ = could_be(&pattern, &name);
                }
                if filter.is_exact() {
                    prop_assert_eq!(filter.captures(&topic).is_some(), filter.as_str() == topic);
                }
            }
        }
    }
}
