//! What is wrong with a stand file, told so that it can be put right in one go.

use std::fmt;

/// Every mistake in one stand file, in the order of its lines.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConfigErrors {
    /// The file, as the caller named it.
    pub file: String,
    /// Never empty.
    pub mistakes: Vec<Mistake>,
}

/// One mistake.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// Characters that the mistake covers on this line.
    pub width: usize,
    /// The line itself; empty when something is missing from the file as a whole.
    pub source_line: String,
    /// Where in the file's structure: `drum.piece 2.length`.
    pub key: String,
    /// The rule that is broken.
    pub rule: String,
    /// What the file has.
    pub found: String,
    /// What would do.
    pub expected: String,
    /// How to put it right, when there is more to say.
    pub hint: Option<String>,
}

impl std::error::Error for ConfigErrors {}

impl fmt::Display for ConfigErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for mistake in &self.mistakes {
            let Mistake {
                line,
                column,
                key,
                rule,
                ..
            } = mistake;
            writeln!(f, "{}:{line}:{column}: {key}: {rule}", self.file)?;
            writeln!(f, "{mistake}")?;
        }
        match self.mistakes.len() {
            1 => write!(f, "1 mistake in {}", self.file),
            n => write!(f, "{n} mistakes in {}", self.file),
        }
    }
}

impl fmt::Display for Mistake {
    /// The source line, a caret under the place, what was found and what was expected.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if !self.source_line.is_empty() {
            self.fmt_excerpt(f)?;
        }
        writeln!(f, "  found {}, expected {}", self.found, self.expected)?;
        if let Some(hint) = &self.hint {
            writeln!(f, "  {hint}")?;
        }
        Ok(())
    }
}

impl Mistake {
    fn fmt_excerpt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = self.line.to_string();
        let margin = number.len();
        // A tab is as wide as one space here, so that the caret stands where it should.
        let source: String = self
            .source_line
            .chars()
            .map(|c| if c.is_control() { ' ' } else { c })
            .collect();
        writeln!(f, "  {number} | {}", source.trim_end())?;
        let indent = self.column.saturating_sub(1);
        writeln!(
            f,
            "  {:margin$} | {:indent$}{}",
            "",
            "",
            "^".repeat(self.width.max(1))
        )
    }
}
