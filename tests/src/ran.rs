//! The program as a person runs it, and what it said.

use std::process::{Command, Stdio};

use serde_json::Value;

use crate::leverarm;

/// What a command said, and how it ended.
#[derive(Debug)]
pub struct Ran {
    /// None after a signal.
    pub code: Option<i32>,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

impl Ran {
    /// The program with these arguments, run to its end; on a terminal so wide that no text that is looked for is folded.
    ///
    /// # Panics
    /// When it can't be run, or says what is no text.
    #[must_use]
    pub fn of(arguments: &[&str]) -> Self {
        let output = Command::new(leverarm())
            .args(arguments)
            .env("COLUMNS", "1000")
            .env_remove("RUST_LOG")
            .stdin(Stdio::null())
            .output()
            .expect("it runs");
        let text = |bytes| String::from_utf8(bytes).expect("text");
        Self {
            code: output.status.code(),
            out: text(output.stdout),
            err: text(output.stderr),
        }
    }

    /// What it said, all being well.
    ///
    /// # Panics
    /// When it failed.
    #[track_caller]
    pub fn ok(self) -> String {
        let Self { code, out, err } = self;
        assert_eq!(code, Some(0), "stdout: {out}\nstderr: {err}");
        out
    }

    /// The JSON on the last line.
    ///
    /// # Panics
    /// When it failed, or there is none.
    #[must_use]
    #[track_caller]
    pub fn json(self) -> Value {
        let out = self.ok();
        serde_json::from_str(out.lines().last().unwrap_or_default())
            .unwrap_or_else(|error| panic!("{error}: {out}"))
    }

    /// It failed, with all of these in its message.
    ///
    /// # Panics
    /// When it did not.
    #[track_caller]
    pub fn fails_with(&self, parts: &[&str]) {
        let Self { code, out, err } = self;
        assert_eq!(*code, Some(1), "stdout: {out}\nstderr: {err}");
        assert_has(err, parts);
    }
}

/// The words of a line, as at a shell: what is in single quotes is one word.
#[must_use]
pub fn words_of(line: &str) -> Vec<&str> {
    let quoted = line.split('\'').enumerate();
    let words = quoted.flat_map(|(i, part)| match i % 2 {
        0 => part.split_whitespace().collect(),
        _ => vec![part],
    });
    words.collect()
}

/// A text has all of these in it.
///
/// # Panics
/// When it has not.
#[track_caller]
pub fn assert_has(text: &str, parts: &[&str]) {
    for part in parts {
        assert!(text.contains(part), "{part:?} is not in:\n{text}");
    }
}
