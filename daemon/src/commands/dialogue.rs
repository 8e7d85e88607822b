//! Questions on a terminal. Every answer can be given as an argument too; without a terminal an
//! answer that is lacking is an error that names its argument.

use anyhow::{Context, anyhow};
use std::io::{BufRead, IsTerminal, Write};

use leverarm_config::units::{self, Kind};
use leverarm_torque::uncertainty::Measured;

use super::{Failure, in_words, say};

/// The person, or nobody.
#[derive(Debug, Clone, Copy)]
pub(super) struct Dialogue {
    somebody: bool,
}

impl Dialogue {
    /// With the person at the terminal, unless `quiet` or there is none.
    pub(super) fn new(quiet: bool) -> Self {
        let terminal = std::io::stdin().is_terminal() && std::io::stdout().is_terminal();
        Self {
            somebody: terminal && !quiet,
        }
    }

    /// Whether somebody is there to answer.
    pub(super) fn is_open(self) -> bool {
        self.somebody
    }

    /// Tells the person what comes next.
    pub(super) fn tell(self, text: &str) {
        if self.somebody {
            say(text);
        }
    }

    /// A line of the person's; `None` at the end of input.
    fn line(question: &str) -> Result<Option<String>, Failure> {
        let mut out = std::io::stdout();
        write!(out, "{question} ").and_then(|()| out.flush())?;
        let mut line = String::new();
        let read = std::io::stdin().lock().read_line(&mut line)?;
        Ok((read > 0).then(|| line.trim().to_owned()))
    }

    /// The answer that was given as an argument, or the person's.
    pub(super) fn ask<T>(
        self,
        argument: &str,
        given: Option<&str>,
        question: &str,
        read: impl Fn(&str) -> Result<T, Failure>,
    ) -> Result<T, Failure> {
        if let Some(text) = given {
            return read(text).with_context(|| format!("{argument} {text:?}"));
        }
        let lacking = || anyhow!("give {argument} ({question})");
        if !self.somebody {
            return Err(lacking());
        }
        loop {
            let text = Self::line(question)?.ok_or_else(lacking)?;
            match read(&text) {
                Ok(answer) => return Ok(answer),
                Err(error) => say(&format!("  {}", in_words(&error))),
            }
        }
    }

    /// As [`Self::ask`], where no answer is an answer: an empty line, or nobody there.
    pub(super) fn ask_optional<T>(
        self,
        argument: &str,
        given: Option<&str>,
        question: &str,
        read: impl Fn(&str) -> Result<T, Failure>,
    ) -> Result<Option<T>, Failure> {
        if given.is_none() && !self.somebody {
            return Ok(None);
        }
        let may_be_empty = |text: &str| match text {
            "" => Ok(None),
            text => read(text).map(Some),
        };
        self.ask(argument, given, question, may_be_empty)
    }

    /// A quantity with its uncertainty, in SI.
    pub(super) fn quantity(
        self,
        argument: &str,
        given: Option<&str>,
        question: &str,
        kind: &Kind,
    ) -> Result<Measured, Failure> {
        let question = format!("{question} (such as \"{}\"):", kind.example);
        self.ask(argument, given, &question, |text| quantity(text, kind))
    }

    /// Yes or no; yes when nobody is there.
    pub(super) fn confirm(self, question: &str) -> Result<bool, Failure> {
        if !self.somebody {
            return Ok(true);
        }
        loop {
            let text = Self::line(&format!("{question} [y/n]"))?;
            match text.as_deref().map(str::to_lowercase).as_deref() {
                Some("y" | "yes") => return Ok(true),
                Some("n" | "no") | None => return Ok(false),
                Some(_) => {}
            }
        }
    }

    /// Waits until the person is ready.
    pub(super) fn pause(self, text: &str) -> Result<(), Failure> {
        if self.somebody {
            Self::line(&format!("{text}; then press Enter"))?;
        }
        Ok(())
    }
}

/// A quantity with its uncertainty, in SI.
pub(super) fn quantity(text: &str, kind: &Kind) -> Result<Measured, Failure> {
    units::measured(text, kind).map_err(|error| {
        let (noun, example) = (kind.noun, kind.example);
        let text = format!("{error}; expected {noun} such as \"{example}\"");
        Failure::from(error).context(text)
    })
}
