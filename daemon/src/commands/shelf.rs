//! `shelf`: what is known of each part, and every test it was in.

use anyhow::anyhow;
use leverarm_analysis::comparison::Rows;
use leverarm_analysis::shelf::{
    PICTURE_BYTES_MAX, RATING_MAX, ShelfPart, ShelfTest, ShelfWord, day_of, keep_picture, shelf,
};
use leverarm_store::{PullId, Store, StoreReader};
use serde_json::json;

use super::control::keep_word;
use super::curve_output::terminal_table;
use super::{DaemonArgument, Failure, json_line, read_stand, say};
use crate::clock::Clock;
use std::path::{Path, PathBuf};

/// Which part, and what to say of it.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct Arguments {
    /// The part, such as "main jet=105"; all of a kind with "main jet"; the whole shelf when left out
    #[arg(value_name = "PART[=VALUE]")]
    name: Option<String>,
    /// Rate it
    #[arg(long, value_name = "1-5", requires = "name", value_parser = clap::value_parser!(u8).range(0..=i64::from(RATING_MAX)), help = format!("Rate it from 1 to {RATING_MAX}, the best; 0 takes the rating back"))]
    rating: Option<u8>,
    /// What there is to know of it; "" takes that back
    #[arg(long, requires = "name")]
    notes: Option<String>,
    /// Where it lies, such as "drawer 2"; "" takes that back
    #[arg(long, requires = "name")]
    place: Option<String>,
    /// A picture of it, which is copied beside the store
    #[arg(long, value_name = "FILE", requires = "name", help = format!("A picture of it, PNG or JPEG, at most {} MiB; it is copied into the store's folder", PICTURE_BYTES_MAX >> 20))]
    picture: Option<PathBuf>,
    /// Who says so
    #[arg(long, default_value = "", requires = "name")]
    by: String,
    #[command(flatten)]
    daemon: DaemonArgument,
    /// JSON instead of words and a table
    #[arg(long)]
    json: bool,
}

impl Arguments {
    fn says_something(&self) -> bool {
        self.rating.is_some()
            || self.notes.is_some()
            || self.place.is_some()
            || self.picture.is_some()
    }
}

pub(super) fn run(asked: &Arguments) -> Result<(), Failure> {
    let read = read_stand(&asked.daemon.stand.file)?;
    let parts = || {
        let reader = StoreReader::open(&read.store_folder)?;
        Ok::<_, Failure>(shelf(&reader)?)
    };
    if let Some(name) = asked.name.as_ref().filter(|_| asked.says_something()) {
        let mut word = ShelfWord {
            rating: asked.rating,
            notes: asked.notes.clone(),
            place: asked.place.clone(),
            by: asked.by.clone(),
            ..ShelfWord::of(name)?
        };
        if let Some(file) = &asked.picture {
            let name = keep_picture(&read.store_folder, file)?;
            word.picture = Some(name);
        }
        word.check()?;
        let body = serde_json::to_value(&word)?;
        let event = |_: &StoreReader| Ok(word.event(Clock::start().now()));
        let open = |folder: &Path| Store::open(folder);
        keep_word(&read, &asked.daemon, ("/api/shelf", &body), open, event)?;
        if !parts()?
            .iter()
            .any(|part| is_asked(part, name) && part.is_on_a_setup())
        {
            say(&format!(
                "no setup has {} yet; name it with `leverarm setup NAME --part \"{name}\"`",
                word.name()
            ));
        }
        return Ok(());
    }
    let mut shown = parts()?;
    if let Some(name) = &asked.name {
        let known: Vec<String> = shown.iter().map(name_of).collect();
        shown.retain(|part| is_asked(part, name));
        if shown.is_empty() {
            return Err(anyhow!(
                "no part \"{name}\"; those known: {}",
                if known.is_empty() {
                    "none".to_owned()
                } else {
                    known.join(", ")
                }
            ));
        }
    }
    if asked.json {
        json_line(&json!(shown));
    } else if asked.name.as_ref().is_some_and(|name| name.contains('=')) {
        shown.iter().for_each(tell);
    } else if shown.is_empty() {
        say("no parts yet: name them with `leverarm setup NAME --part \"main jet=105\"`");
    } else {
        say(&terminal_table(&table(&shown)).to_string());
    }
    Ok(())
}

/// Whether a part goes by "main jet" or "main jet=105".
fn is_asked(part: &ShelfPart, name: &str) -> bool {
    match ShelfWord::of(name) {
        Ok(word) => (&word.part, &word.value) == (&part.part, &part.value),
        Err(_) => part.part == name.trim(),
    }
}

fn name_of(part: &ShelfPart) -> String {
    format!("\"{}={}\"", part.part, part.value)
}

fn table(parts: &[ShelfPart]) -> Rows {
    let row = |part: &ShelfPart| {
        vec![
            part.part.clone(),
            part.value.clone(),
            part.rating_words(),
            part.place.clone(),
            part.notes.clone(),
            part.picture.as_ref().map_or("", |_| "yes").to_owned(),
            part.tests.len().to_string(),
            part.pulls().to_string(),
            part.tests
                .last()
                .map_or_else(String::new, |test| day_of(test.wall_us)),
        ]
    };
    let headings = [
        "part", "\nwhich", "rating", "lies", "notes", "picture", "tests", "pulls", "last",
    ];
    Rows {
        headings: headings.map(str::to_owned).to_vec(),
        rows: parts.iter().map(row).collect(),
        text_columns: 6,
    }
}

fn tell(part: &ShelfPart) {
    say(&format!("{} {}", part.part, part.value));
    let lines = [
        ("rating", part.rating_words()),
        ("lies", part.place.clone()),
        ("notes", part.notes.clone()),
        (
            "picture",
            part.picture
                .as_ref()
                .map_or_else(String::new, |file| file.display().to_string()),
        ),
    ];
    for (what, text) in lines.iter().filter(|(_, text)| !text.is_empty()) {
        say(&format!("  {what}: {text}"));
    }
    if !part.untested.is_empty() {
        say(&format!(
            "  not tested yet with: {}",
            part.untested.join(", ")
        ));
    }
    if part.tests.is_empty() {
        say("  in no test yet");
        return;
    }
    let row = |test: &ShelfTest| {
        vec![
            day_of(test.wall_us),
            test.setup.clone(),
            test.beside.clone(),
            numbers(&test.pulls),
            numbers(&test.excluded),
        ]
    };
    let headings = ["day", "setup", "beside", "pulls", "excluded"];
    say(&terminal_table(&Rows {
        headings: headings.map(str::to_owned).to_vec(),
        rows: part.tests.iter().map(row).collect(),
        text_columns: 5,
    })
    .to_string());
    say(&format!(
        "what it did, whatever else was on: leverarm parts \"{}\"",
        part.part
    ));
}

fn numbers(pulls: &[PullId]) -> String {
    let all: Vec<String> = pulls.iter().map(ToString::to_string).collect();
    all.join(", ")
}
