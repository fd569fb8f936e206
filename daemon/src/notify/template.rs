//! Placeholders in a webhook's URL, headers and body: `{title}` and the like stand for the alert's
//! fields, `{priority}` for 3 (note), 4 (warning) or 5 (urgent). Anything else in braces stays.

use serde_json::Value;

/// Where a value goes, and so how it is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Into {
    /// Between a JSON string's quotes.
    Json,
    /// As it is.
    Text,
    /// Percent-encoded (RFC 3986: all but unreserved characters).
    Url,
    /// A header: no control characters.
    Header,
}

const FIELDS: [&str; 11] = [
    "id", "alert", "state", "severity", "batch", "stage", "place", "at", "title", "text", "link",
];

/// `template` with every known placeholder replaced.
#[must_use]
pub fn fill(template: &str, doc: &Value, into: Into) -> String {
    let mut out = String::with_capacity(template.len());
    let mut rest = template;
    while let Some(open) = rest.find('{') {
        out.push_str(&rest[..open]);
        let after = &rest[open + 1..];
        let value = after
            .find('}')
            .and_then(|close| Some((field(&after[..close], doc)?, close)));
        if let Some((value, close)) = value {
            out.push_str(&written(&value, into));
            rest = &after[close + 1..];
        } else {
            out.push('{');
            rest = after;
        }
    }
    out.push_str(rest);
    out
}

fn field(name: &str, doc: &Value) -> Option<String> {
    if name == "priority" {
        return Some(
            match doc["severity"].as_str() {
                Some("urgent") => "5",
                Some("warning") => "4",
                _ => "3",
            }
            .to_owned(),
        );
    }
    FIELDS.contains(&name).then(|| match &doc[name] {
        Value::String(text) => text.clone(),
        Value::Null => String::new(),
        other => other.to_string(),
    })
}

fn written(value: &str, into: Into) -> String {
    match into {
        Into::Text => value.to_owned(),
        Into::Json => {
            let quoted = Value::String(value.to_owned()).to_string();
            quoted[1..quoted.len() - 1].to_owned()
        }
        Into::Url => value
            .bytes()
            .map(|b| match b {
                b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => {
                    char::from(b).to_string()
                }
                _ => format!("%{b:02X}"),
            })
            .collect(),
        Into::Header => value.chars().filter(|c| !c.is_control()).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn known_placeholders_are_filled_and_escaped_for_where_they_stand() {
        let doc = json!({
            "title": "Box \"warm\"\n33 °C", "severity": "urgent", "batch": null, "link": "http://h/a b",
        });
        assert_eq!(
            fill(
                r#"{"t":"{title}","b":"{batch}","p":{priority}}"#,
                &doc,
                Into::Json
            ),
            r#"{"t":"Box \"warm\"\n33 °C","b":"","p":5}"#
        );
        assert_eq!(fill("{title}", &doc, Into::Header), "Box \"warm\"33 °C");
        assert_eq!(
            fill("?l={link}", &doc, Into::Url),
            "?l=http%3A%2F%2Fh%2Fa%20b"
        );
        assert_eq!(fill("{unknown} {", &doc, Into::Text), "{unknown} {");
    }
}
