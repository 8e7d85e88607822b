//! Typed reading of a parsed TOML tree that keeps going after a mistake.

use std::cell::RefCell;
use std::fmt::Display;
use std::ops::{Range, RangeInclusive};

use leverarm_torque::uncertainty::Measured;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::mistake::Mistake;
use crate::units::{self, Form, Kind, nearest};

/// Longest piece of the file quoted in a message, characters.
const QUOTE_CHARS_MAX: usize = 60;

/// Mistakes found so far in one text.
pub(crate) struct Log<'a> {
    text: &'a str,
    mistakes: RefCell<Vec<Mistake>>,
}

impl<'a> Log<'a> {
    pub(crate) fn new(text: &'a str) -> Self {
        Self {
            text,
            mistakes: RefCell::new(Vec::new()),
        }
    }

    /// The mistakes in the order of the file.
    pub(crate) fn into_mistakes(self) -> Vec<Mistake> {
        let mut mistakes = self.mistakes.into_inner();
        mistakes.sort_by_key(|mistake| (mistake.line, mistake.column));
        // A list that is gone through twice tells of its unknown keys twice.
        mistakes.dedup();
        mistakes
    }

    fn quote(&self, span: &Range<usize>) -> String {
        let text = self.text.get(span.clone()).unwrap_or_default();
        let first_line = text.lines().next().unwrap_or_default();
        let mut quote: String = first_line.chars().take(QUOTE_CHARS_MAX).collect();
        if quote.len() < text.len() {
            quote.push('…');
        }
        if quote.is_empty() {
            "nothing".to_owned()
        } else {
            quote
        }
    }

    /// Notes a mistake. The span 0..0 stands for the whole file: something is missing from it.
    pub(crate) fn report(
        &self,
        at: &Place,
        rule: impl Into<String>,
        found: Found<'_>,
        expected: impl Into<String>,
        hint: Option<String>,
    ) {
        let before = self.text.get(..at.span.start).unwrap_or(self.text);
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        let source_line = match self
            .text
            .get(line_start..)
            .and_then(|rest| rest.lines().next())
        {
            Some(line) if at.span != (0..0) => line,
            _ => "",
        };
        let in_line = |byte: usize| {
            let bytes = byte.saturating_sub(line_start).min(source_line.len());
            source_line
                .get(..bytes)
                .unwrap_or(source_line)
                .chars()
                .count()
        };
        let column = in_line(at.span.start);
        self.mistakes.borrow_mut().push(Mistake {
            line: before.matches('\n').count() + 1,
            column: column + 1,
            width: in_line(at.span.end).saturating_sub(column),
            source_line: source_line.to_owned(),
            key: at.key.clone(),
            rule: rule.into(),
            found: match found {
                Found::Here => self.quote(&at.span),
                Found::Text(text) => text.to_owned(),
            },
            expected: expected.into(),
            hint,
        });
    }
}

/// What a message says was found.
pub(crate) enum Found<'a> {
    /// The file's own text at the place.
    Here,
    /// These words.
    Text(&'a str),
}

/// A place in the file: where, and the key that leads there.
#[derive(Clone, Debug)]
pub(crate) struct Place {
    pub(crate) key: String,
    pub(crate) span: Range<usize>,
}

impl Place {
    pub(crate) const fn new(key: String, span: Range<usize>) -> Self {
        Self { key, span }
    }
}

/// A table of the file, or the lack of it.
pub(crate) struct Section<'a> {
    log: &'a Log<'a>,
    place: Place,
    /// The table's name in [`crate::keys`]: its path without the numbers of lists.
    name: String,
    table: Option<&'a DeTable<'a>>,
    known: Vec<&'static str>,
    /// Keys that are slips of the fingers: what was meant, and what is there.
    slips: Vec<(&'static str, &'a str)>,
    asked: RefCell<Vec<&'static str>>,
}

impl<'a> Section<'a> {
    pub(crate) fn root(log: &'a Log<'a>, table: &'a DeTable<'a>) -> Self {
        let place = Place::new(String::new(), 0..0);
        Self::new(log, place, String::new(), Some(table))
    }

    fn new(log: &'a Log<'a>, place: Place, name: String, table: Option<&'a DeTable<'a>>) -> Self {
        let known = crate::keys::of(&name);
        let mut section = Self {
            log,
            place,
            known,
            name,
            table,
            slips: Vec::new(),
            asked: RefCell::default(),
        };
        section.slips = section.note_unknown();
        section
    }

    /// Notes every key that is unknown, and tells which are slips of the fingers: those are read as what
    /// was meant, so that one slip is one mistake.
    fn note_unknown(&self) -> Vec<(&'static str, &'a str)> {
        let keys = self.table.into_iter().flat_map(|table| table.keys());
        let unknown = keys.filter(|key| !self.known.contains(&key.get_ref().as_ref()));
        let mut slips = Vec::new();
        for key in unknown {
            let name: &'a str = key.get_ref();
            let meant = nearest(name, self.known.iter().copied());
            let meant = meant.and_then(|meant| self.known.iter().find(|known| **known == meant));
            let place = Place::new(self.path(name), key.span());
            let hint = meant.map(|meant| format!("did you mean \"{meant}\"?"));
            let expected = self.key_of(self.known.clone());
            self.log
                .report(&place, "there is no such key", Found::Here, expected, hint);
            slips.extend(meant.map(|meant| (*meant, name)));
        }
        slips
    }

    /// What is expected in place of a key: one of these.
    fn key_of(&self, mut choice: Vec<&str>) -> String {
        choice.sort_unstable();
        choice.dedup();
        let whose = if self.name.is_empty() {
            "the file"
        } else {
            &self.name
        };
        format!("a key of {whose}: {}", choice.join(", "))
    }

    pub(crate) fn place(&self) -> &Place {
        &self.place
    }

    pub(crate) fn log(&self) -> &'a Log<'a> {
        self.log
    }

    /// Whether the file has something under `key`, right or wrong.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.peek(key).is_some()
    }

    fn path(&self, key: &str) -> String {
        match self.place.key.as_str() {
            "" => key.to_owned(),
            above => format!("{above}.{key}"),
        }
    }

    /// The value under `key`, and remembers that somebody asked for it.
    pub(crate) fn item(&self, key: &'static str) -> Option<Item<'a>> {
        debug_assert!(self.known.contains(&key), "{key} is not listed in keys.rs");
        self.asked.borrow_mut().push(key);
        self.peek(key)
    }

    /// The value under `key`, without asking for it.
    pub(crate) fn peek(&self, key: &str) -> Option<Item<'a>> {
        let slip = || self.slips.iter().find(|(meant, _)| *meant == key);
        self.written(key, key)
            .or_else(|| self.written(slip()?.1, key))
    }

    /// The value under a key as it is written, which means another.
    fn written(&self, name: &str, key: &str) -> Option<Item<'a>> {
        let value = self.table?.get(name)?;
        Some(Item {
            log: self.log,
            place: Place::new(self.path(key), value.span()),
            value,
        })
    }

    /// Reads an optional key.
    pub(crate) fn optional<R: Rule>(&self, key: &'static str, rule: &R) -> Option<R::Value> {
        self.item(key)?.read(rule)
    }

    /// Reads a key that has to be there.
    pub(crate) fn required<R: Rule>(&self, key: &'static str, rule: &R) -> Option<R::Value> {
        match self.item(key) {
            Some(item) => item.read(rule),
            None => {
                self.missing(key, rule.expected());
                None
            }
        }
    }

    /// Notes that `key` is missing.
    pub(crate) fn missing(&self, key: &str, expected: impl Into<String>) {
        let place = Place::new(self.path(key), self.place.span.clone());
        self.log.report(
            &place,
            "this key is missing",
            Found::Text("nothing"),
            expected,
            None,
        );
    }

    /// Name of the table under `key`.
    fn name_of(&self, key: &str) -> String {
        match self.name.as_str() {
            "" => key.to_owned(),
            above => format!("{above}.{key}"),
        }
    }

    /// The table under `key`; all of its keys are missing when it isn't there.
    pub(crate) fn section(&self, key: &'static str) -> Self {
        let item = self.item(key);
        let place = item.as_ref().map_or_else(
            || Place::new(self.path(key), self.place.span.clone()),
            |item| item.place.clone(),
        );
        let table = item.and_then(|item| item.table(&place));
        Self::new(self.log, place, self.name_of(key), table)
    }

    /// The table under `key`, if it is there.
    pub(crate) fn optional_section(&self, key: &'static str) -> Option<Self> {
        Some(self.section(key)).filter(|section| section.table.is_some())
    }

    /// The table under `key`, which has to be there.
    pub(crate) fn required_section(&self, key: &'static str) -> Option<Self> {
        let section = self.optional_section(key);
        // A key of another type has its message already.
        if !self.has(key) {
            let keys = crate::keys::of(&self.name_of(key)).join(", ");
            self.missing(key, format!("a section [{key}] with {keys}"));
        }
        section
    }

    /// The tables of the list `[[key]]`, those with a slip in its name too.
    pub(crate) fn sections(&self, key: &'static str) -> Vec<Self> {
        let slips = self.slips.iter().filter(|(meant, _)| *meant == key);
        let written = self.item(key).into_iter();
        let slips = slips.filter_map(|(_, name)| self.written(name, key));
        let mut items: Vec<Item<'a>> = written.chain(slips).collect();
        items.dedup_by_key(|item| item.place.span.clone());
        let mut tables = Vec::new();
        for item in items {
            let Some(array) = item.value.get_ref().as_array() else {
                item.fault(
                    "this is a list of sections",
                    format!("[[{}]]", item.place.key),
                    None,
                );
                continue;
            };
            tables.extend(array.iter());
        }
        let of = |(number, value): (usize, &'a Spanned<DeValue<'a>>)| {
            let place = Place::new(format!("{}[{number}]", self.path(key)), value.span());
            let item = Item {
                log: self.log,
                place: place.clone(),
                value,
            };
            let table = item.table(&place)?;
            Some(Self::new(self.log, place, self.name_of(key), Some(table)))
        };
        (1..).zip(tables).filter_map(of).collect()
    }

    /// Excuses the keys that nobody asked for: what would have asked is itself unclear.
    pub(crate) fn excuse_rest(&self) {
        self.asked.borrow_mut().extend(&self.known);
    }

    /// Notes every key that is known but of no use beside the others.
    pub(crate) fn finish(self) {
        let asked = self.asked.borrow();
        for key in self.table.into_iter().flat_map(|table| table.keys()) {
            let name: &str = key.get_ref();
            if asked.contains(&name) || !self.known.contains(&name) {
                continue;
            }
            let place = Place::new(self.path(name), key.span());
            let rule = "this key has no use beside the others here";
            let expected = self.key_of(asked.to_vec());
            self.log.report(&place, rule, Found::Here, expected, None);
        }
    }
}

/// A value of the file.
pub(crate) struct Item<'a> {
    log: &'a Log<'a>,
    pub(crate) place: Place,
    value: &'a Spanned<DeValue<'a>>,
}

impl<'a> Item<'a> {
    pub(crate) fn read<R: Rule>(&self, rule: &R) -> Option<R::Value> {
        rule.read(self)
    }

    /// An entry of this list.
    fn within(&self, value: &'a Spanned<DeValue<'a>>) -> Self {
        Self {
            log: self.log,
            place: Place {
                span: value.span(),
                ..self.place.clone()
            },
            value,
        }
    }

    /// Notes that this value breaks a rule.
    pub(crate) fn fault(
        &self,
        rule: impl Into<String>,
        expected: impl Into<String>,
        hint: Option<String>,
    ) {
        self.log
            .report(&self.place, rule, Found::Here, expected, hint);
    }

    fn table(&self, place: &Place) -> Option<&'a DeTable<'a>> {
        let table = self.value.get_ref().as_table();
        if table.is_none() {
            self.fault("this is a section", format!("[{}]", place.key), None);
        }
        table
    }

    pub(crate) fn text(&self) -> Option<&'a str> {
        self.value.get_ref().as_str()
    }

    /// The text of a quantity; a bare number is told apart from other mistakes.
    pub(crate) fn quantity_text(&self, expected: impl Fn() -> String) -> Option<&'a str> {
        let text = self.text();
        if text.is_none() {
            let rule = match self.number() {
                Some(_) => "the unit is missing",
                None => "this is a quantity with its unit",
            };
            self.fault(rule, expected(), None);
        }
        text
    }

    fn number(&self) -> Option<f64> {
        match self.value.get_ref() {
            DeValue::Integer(_) => self.whole().map(|whole| {
                #[expect(clippy::cast_precision_loss, reason = "no setting needs 2^53")]
                let number = whole as f64;
                number
            }),
            DeValue::Float(float) => float
                .as_str()
                .parse()
                .ok()
                .filter(|number: &f64| number.is_finite()),
            _ => None,
        }
    }

    fn whole(&self) -> Option<i64> {
        let integer = self.value.get_ref().as_integer()?;
        i64::from_str_radix(integer.as_str(), integer.radix()).ok()
    }
}

/// A hint that names the known word closest to `word`.
pub(crate) fn did_you_mean<'n>(
    word: &str,
    known: impl IntoIterator<Item = &'n str>,
) -> Option<String> {
    nearest(word, known).map(|known| format!("did you mean \"{known}\"?"))
}

/// How one key is read.
pub(crate) trait Rule {
    /// What comes of it.
    type Value;

    /// Reads the value or notes a mistake.
    fn read(&self, item: &Item<'_>) -> Option<Self::Value>;

    /// What would do, for messages.
    fn expected(&self) -> String;
}

/// A short text in one line.
pub(crate) struct Text(pub(crate) &'static str);

impl Rule for Text {
    type Value = String;

    fn read(&self, item: &Item<'_>) -> Option<String> {
        let text = item.text().map(str::trim);
        match text {
            Some(text)
                if !text.is_empty() && text.len() <= 200 && !text.contains(char::is_control) =>
            {
                Some(text.to_owned())
            }
            Some(_) => {
                item.fault("this has to be one line of text", self.expected(), None);
                None
            }
            None => {
                item.fault("this has to be text", self.expected(), None);
                None
            }
        }
    }

    fn expected(&self) -> String {
        format!("text such as \"{}\"", self.0)
    }
}

/// `true` or `false`.
pub(crate) struct Flag;

impl Rule for Flag {
    type Value = bool;

    fn read(&self, item: &Item<'_>) -> Option<bool> {
        let flag = item.value.get_ref().as_bool();
        if flag.is_none() {
            item.fault("this is yes or no", self.expected(), None);
        }
        flag
    }

    fn expected(&self) -> String {
        "true or false".to_owned()
    }
}

/// A whole number within a range.
pub(crate) struct Whole<T>(pub(crate) RangeInclusive<T>);

impl<T: Copy + PartialOrd + Display + TryFrom<i64>> Rule for Whole<T> {
    type Value = T;

    fn read(&self, item: &Item<'_>) -> Option<T> {
        let is_whole = item.value.get_ref().is_integer();
        let value = item.whole().and_then(|whole| T::try_from(whole).ok());
        let value = value.filter(|value| self.0.contains(value));
        if value.is_none() {
            let rule = if is_whole {
                "the number is out of range"
            } else {
                "this is a whole number"
            };
            item.fault(rule, self.expected(), None);
        }
        value
    }

    fn expected(&self) -> String {
        format!("a whole number from {} to {}", self.0.start(), self.0.end())
    }
}

/// A plain number within a range.
pub(crate) struct Number(pub(crate) RangeInclusive<f64>);

impl Rule for Number {
    type Value = f64;

    fn read(&self, item: &Item<'_>) -> Option<f64> {
        let number = item.number();
        let value = number.filter(|number| self.0.contains(number));
        if value.is_none() {
            let rule = if number.is_some() {
                "the number is out of range"
            } else {
                "this is a number"
            };
            item.fault(rule, self.expected(), None);
        }
        value
    }

    fn expected(&self) -> String {
        format!("a number from {} to {}", self.0.start(), self.0.end())
    }
}

/// One of a few words.
pub(crate) struct Choice<'c, T>(pub(crate) &'c [(&'c str, T)]);

impl<T: Copy> Rule for Choice<'_, T> {
    type Value = T;

    fn read(&self, item: &Item<'_>) -> Option<T> {
        let word = item.text().unwrap_or_default();
        let found = self.0.iter().find(|(known, _)| *known == word);
        if found.is_none() {
            let hint = did_you_mean(word, self.0.iter().map(|(known, _)| *known));
            item.fault("this is a choice of words", self.expected(), hint);
        }
        found.map(|(_, value)| *value)
    }

    fn expected(&self) -> String {
        let words: Vec<String> = self
            .0
            .iter()
            .map(|(word, _)| format!("\"{word}\""))
            .collect();
        format!("one of {}", words.join(", "))
    }
}

/// A quantity with its unit, from the first to the second bound (both written as quantities).
pub(crate) struct Quantity<'k>(pub(crate) &'k Kind, pub(crate) Option<(&'k str, &'k str)>);

impl Rule for Quantity<'_> {
    type Value = f64;

    fn read(&self, item: &Item<'_>) -> Option<f64> {
        read_quantity(item, self.0, self.1, units::quantity, |value| *value)
    }

    fn expected(&self) -> String {
        expected_quantity(self.0, self.1)
    }
}

/// A quantity that may carry its standard uncertainty.
pub(crate) struct MeasuredQuantity<'k>(pub(crate) &'k Kind, pub(crate) (&'k str, &'k str));

impl Rule for MeasuredQuantity<'_> {
    type Value = Measured;

    fn read(&self, item: &Item<'_>) -> Option<Measured> {
        read_quantity(item, self.0, Some(self.1), units::measured, |measured| {
            measured.value
        })
    }

    fn expected(&self) -> String {
        expected_quantity(self.0, Some(self.1))
    }
}

fn expected_quantity(kind: &Kind, bounds: Option<(&str, &str)>) -> String {
    match bounds {
        Some((min, max)) => format!("{kind}, from {min} to {max}"),
        None => kind.to_string(),
    }
}

fn read_quantity<T>(
    item: &Item<'_>,
    kind: &Kind,
    bounds: Option<(&str, &str)>,
    parse: fn(&str, &Kind) -> Result<T, units::QuantityError>,
    value_of: fn(&T) -> f64,
) -> Option<T> {
    let expected = || expected_quantity(kind, bounds);
    let bare = item.number().filter(|_| kind.form == Form::Number);
    let bare = bare.map(|number| number.to_string());
    let text = match &bare {
        Some(number) => number,
        None => item.quantity_text(expected)?,
    };
    let value = match parse(text, kind) {
        Ok(value) => value,
        Err(error) => {
            item.fault(error.to_string(), expected(), None);
            return None;
        }
    };
    if let Some((min, max)) = bounds {
        let bound = |text| units::quantity(text, kind);
        debug_assert!(
            bound(min).is_ok() && bound(max).is_ok(),
            "bounds {min}, {max}"
        );
        let above = bound(min).is_ok_and(|min| value_of(&value) >= min);
        let below = bound(max).is_ok_and(|max| value_of(&value) <= max);
        if !(above && below) {
            item.fault(format!("{} out of range", kind.noun), expected(), None);
            return None;
        }
    }
    Some(value)
}

/// Text that a function understands.
pub(crate) struct Parsed<F> {
    /// What would do.
    pub(crate) expected: &'static str,
    /// Reads the text; an error is the broken rule, with a hint.
    pub(crate) parse: F,
}

impl<T, F: Fn(&str) -> Result<T, (String, Option<String>)>> Rule for Parsed<F> {
    type Value = T;

    fn read(&self, item: &Item<'_>) -> Option<T> {
        let Some(text) = item.text() else {
            item.fault("this has to be text", self.expected, None);
            return None;
        };
        match (self.parse)(text) {
            Ok(value) => Some(value),
            Err((rule, hint)) => {
                item.fault(rule, self.expected, hint);
                None
            }
        }
    }

    fn expected(&self) -> String {
        self.expected.to_owned()
    }
}

/// A list of two: the first by one rule, the second by another.
pub(crate) struct Pair<A, B>(pub(crate) A, pub(crate) B);

impl<A: Rule, B: Rule> Rule for Pair<A, B> {
    type Value = (A::Value, B::Value);

    fn read(&self, item: &Item<'_>) -> Option<Self::Value> {
        let entries = item.value.get_ref().as_array();
        let mut entries = entries.into_iter().flat_map(|array| array.iter());
        let (Some(first), Some(second), None) = (entries.next(), entries.next(), entries.next())
        else {
            item.fault("this is a pair", self.expected(), None);
            return None;
        };
        let at = |value| item.within(value);
        let (first, second) = (at(first).read(&self.0), at(second).read(&self.1));
        Some((first?, second?))
    }

    fn expected(&self) -> String {
        format!("[{}, {}]", self.0.expected(), self.1.expected())
    }
}

/// A list, each entry read by the same rule.
pub(crate) struct List<R>(pub(crate) R);

impl<R: Rule> Rule for List<R> {
    type Value = Vec<R::Value>;

    fn read(&self, item: &Item<'_>) -> Option<Vec<R::Value>> {
        let array = item
            .value
            .get_ref()
            .as_array()
            .filter(|array| !array.is_empty());
        let Some(array) = array else {
            item.fault("this is a list", self.expected(), None);
            return None;
        };
        let values: Vec<Option<R::Value>> = array
            .iter()
            .map(|value| item.within(value).read(&self.0))
            .collect();
        values.into_iter().collect()
    }

    fn expected(&self) -> String {
        format!("a list [ … ], each entry {}", self.0.expected())
    }
}
