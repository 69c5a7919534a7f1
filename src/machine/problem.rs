//! A mistake in a machine file as its author sees it: place, the line with the place marked, what was expected.
//!
//! ```text
//! machine.toml:9:14: '12' has no unit
//!     worst_case = "12"
//!                  ^~~~
//!     expected a time, for example "12 ms"
//! ```

use std::error::Error;
use std::fmt;
use std::ops::Range;

/// One mistake.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Name of the file as it was given to the reader.
    pub file: String,
    /// Octets of the file that the mistake is about; empty for a place between two characters.
    pub span: Range<usize>,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1; a tab counts as one character.
    pub column: usize,
    /// What is wrong: a lowercase fragment.
    pub message: String,
    /// What should stand there, to be read behind the word 'expected'.
    pub expected: Option<String>,
    /// The nearest name that would be legal there.
    pub nearest: Option<String>,
    /// What to do, where the message doesn't say it.
    pub advice: Option<String>,
    /// The line (or the part of it around the place) as a terminal can show it: tabs expanded, control characters replaced.
    pub excerpt: String,
    /// `^~~~` under the place, with the blanks in front of it; belongs under `excerpt`.
    pub marks: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { file, line, column, message, .. } = self;
        write!(f, "{file}:{line}:{column}: {message}")?;
        if !self.excerpt.is_empty() {
            write!(f, "\n    {}\n    {}", self.excerpt, self.marks)?;
        }
        if let Some(expected) = &self.expected {
            write!(f, "\n    expected {expected}")?;
        }
        if let Some(nearest) = &self.nearest {
            write!(f, "\n    did you mean '{nearest}'?")?;
        }
        if let Some(advice) = &self.advice {
            write!(f, "\n    {advice}")?;
        }
        Ok(())
    }
}

/// Every mistake of a file, in the order of their places; never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problems(Vec<Problem>);

impl Problems {
    /// `problems` must be in the order of their places.
    pub(super) const fn new(problems: Vec<Problem>) -> Self {
        Self(problems)
    }

    /// How many mistakes there are.
    pub const fn count(&self) -> usize {
        self.0.len()
    }

    /// The mistakes in the order of their places.
    pub fn iter(&self) -> std::slice::Iter<'_, Problem> {
        self.0.iter()
    }
}

impl<'a> IntoIterator for &'a Problems {
    type Item = &'a Problem;
    type IntoIter = std::slice::Iter<'a, Problem>;

    fn into_iter(self) -> Self::IntoIter {
        self.iter()
    }
}

/// All of them, one below the other.
impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.0.iter().enumerate() {
            let gap = if i == 0 { "" } else { "\n" };
            write!(f, "{gap}{problem}")?;
        }
        Ok(())
    }
}

impl Error for Problems {}
