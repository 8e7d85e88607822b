//! What is bolted on, part by part, and what differs between two setups.

use serde_json::{Map, Value, json};

/// A part of a setup: "main jet", "105", no unit, no note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// Which part or setting, or how large.
    pub value: String,
    /// Unit of the value; may be empty.
    pub unit: String,
    /// Free note; may be empty. Two parts that differ in nothing else are the same.
    pub note: String,
}

impl Part {
    /// A part as a person writes it: `VALUE [UNIT] [; NOTE]`, such as "3 mm; home-made". A unit is
    /// what follows a number.
    #[must_use]
    pub fn of_text(text: &str) -> Self {
        let (value, note) = text.split_once(';').unwrap_or((text, ""));
        let value = value.trim();
        let (value, unit) = match value.split_once(' ') {
            Some((number, unit)) if number.parse::<f64>().is_ok() => (number, unit.trim()),
            _ => (value, ""),
        };
        Self {
            value: value.to_owned(),
            unit: unit.to_owned(),
            note: note.trim().to_owned(),
        }
    }

    /// As the store keeps it: a text, or an object with `value`, `unit` and `note`.
    #[must_use]
    pub fn of_json(value: &Value) -> Self {
        let text = |key: &str| {
            let found = value.get(key).and_then(Value::as_str);
            found.unwrap_or_default().to_owned()
        };
        match value {
            Value::String(text) => Self::of_text(text),
            Value::Object(_) => Self {
                value: text("value"),
                unit: text("unit"),
                note: text("note"),
            },
            other => Self::of_text(&other.to_string()),
        }
    }

    /// For the store.
    #[must_use]
    pub fn json(&self) -> Value {
        if self.unit.is_empty() && self.note.is_empty() {
            return json!(self.value);
        }
        json!({ "value": self.value, "unit": self.unit, "note": self.note })
    }

    /// Value and unit.
    #[must_use]
    pub fn words(&self) -> String {
        format!("{} {}", self.value, self.unit)
            .trim_end()
            .to_owned()
    }

    /// Value and unit, with the note in brackets.
    #[must_use]
    pub fn words_with_note(&self) -> String {
        if self.note.is_empty() {
            self.words()
        } else {
            format!("{} ({})", self.words(), self.note)
        }
    }

    fn is_same(&self, other: &Self) -> bool {
        self.value == other.value && self.unit == other.unit
    }
}

/// The parts of a setup by name, as the store keeps them.
#[must_use]
pub fn parts_of(stored: &Value) -> Vec<(String, Part)> {
    let parts = stored.as_object().map(Map::iter).into_iter().flatten();
    parts
        .map(|(key, value)| (key.clone(), Part::of_json(value)))
        .collect()
}

/// All parts of a setup in one line; "none" without any.
#[must_use]
pub fn parts_in_words(stored: &Value) -> String {
    let parts = parts_of(stored);
    if parts.is_empty() {
        return "none".to_owned();
    }
    let words = parts
        .iter()
        .map(|(key, part)| format!("{key}: {}", part.words_with_note()));
    words.collect::<Vec<_>>().join(", ")
}

/// A part that is not the same in two setups.
#[derive(Debug, Clone, PartialEq)]
pub struct PartDifference {
    /// What part, such as "main jet".
    pub key: String,
    /// What the first setup has, if it is recorded.
    pub first: Option<Part>,
    /// What the second has.
    pub second: Option<Part>,
}

/// Parts of which two setups have different ones, by name.
#[must_use]
pub fn part_differences(first: &Value, second: &Value) -> Vec<PartDifference> {
    let (first, second) = (parts_of(first), parts_of(second));
    let mut keys: Vec<&String> = first.iter().chain(&second).map(|(key, _)| key).collect();
    keys.sort();
    keys.dedup();
    let of = |parts: &[(String, Part)], key: &str| {
        let found = parts.iter().find(|(other, _)| other == key);
        found.map(|(_, part)| part.clone())
    };
    keys.into_iter()
        .map(|key| PartDifference {
            key: key.clone(),
            first: of(&first, key),
            second: of(&second, key),
        })
        .filter(|part| match (&part.first, &part.second) {
            (Some(first), Some(second)) => !first.is_same(second),
            _ => true,
        })
        .collect()
}

/// When more than one part differs, the names of all that do: what the change did can't be laid at
/// one of them.
#[must_use]
pub fn confounded_by(differences: &[PartDifference]) -> Vec<String> {
    if differences.len() < 2 {
        return Vec::new();
    }
    differences.iter().map(|part| part.key.clone()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_that_differ_are_named() {
        let with_105 = json!({ "main jet": "105", "needle": "2nd clip", "sleeve": "none" });
        let with_110 = json!({ "main jet": "110", "needle": "2nd clip", "airbox": "open" });
        let differences = part_differences(&with_105, &with_110);
        let keys: Vec<&str> = differences.iter().map(|part| part.key.as_str()).collect();
        assert_eq!(keys, ["airbox", "main jet", "sleeve"]);
        assert_eq!(differences[0].first, None);
        assert_eq!(differences[0].second, Some(Part::of_text("open")));
        assert_eq!(
            confounded_by(&differences),
            ["airbox", "main jet", "sleeve"]
        );
    }

    #[test]
    fn one_changed_part_is_a_clean_test() {
        let parts = |jet: &str| json!({ "main jet": jet, "needle": "2nd clip" });
        let differences = part_differences(&parts("105"), &parts("110"));
        assert_eq!(differences.len(), 1);
        assert!(confounded_by(&differences).is_empty());
        assert!(part_differences(&parts("105"), &Value::Null).len() == 2);
    }

    #[test]
    fn units_and_notes_are_taken_apart_and_a_note_is_no_difference() {
        let sleeve = Part::of_text("3 mm; home-made, aluminium");
        assert_eq!(
            (&*sleeve.value, &*sleeve.unit, &*sleeve.note),
            ("3", "mm", "home-made, aluminium")
        );
        assert_eq!(Part::of_json(&sleeve.json()), sleeve);
        assert_eq!(Part::of_text("2nd clip").json(), json!("2nd clip"));
        let plain = json!({ "sleeve": "3 mm" });
        assert!(part_differences(&json!({ "sleeve": sleeve.json() }), &plain).is_empty());
        assert_eq!(
            part_differences(&json!({ "sleeve": "5 mm" }), &plain).len(),
            1
        );
    }
}
