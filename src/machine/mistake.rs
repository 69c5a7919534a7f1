//! Collects mistakes while the file is being read, so that one run reports them all.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ops::Range;

use super::problem::{Problem, Problems};
use super::source::Places;
use super::syntax::Broken;

/// A mistake that is already with the others. A reader that can't go on returns it instead of a value, and whoever meets
/// it stays silent: one cause, one message.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reported(());

/// What a mistake rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Scope {
    /// A text that is there.
    Here,
    /// A text that is not there, or not where this one needs it.
    Elsewhere,
}

/// A mistake about to be reported.
#[derive(Clone, Debug)]
pub(super) struct Mistake {
    span: Range<usize>,
    scope: Scope,
    message: String,
    expected: Option<String>,
    nearest: Option<String>,
    advice: Option<String>,
}

impl Mistake {
    /// A mistake in the text at `span`.
    pub(super) fn new(span: &Range<usize>, message: impl Into<String>) -> Self {
        Self {
            span: span.clone(),
            scope: Scope::Here,
            message: message.into(),
            expected: None,
            nearest: None,
            advice: None,
        }
    }

    /// What should stand there, to be read behind the word 'expected'.
    pub(super) fn expected(mut self, expected: impl Into<String>) -> Self {
        self.expected = Some(expected.into());
        self
    }

    /// Suggests the one of `known` names that is near to `name`, if there is one.
    pub(super) fn near<'k>(mut self, name: &str, known: impl IntoIterator<Item = &'k str>) -> Self {
        self.nearest = nearest(name, known).map(str::to_owned);
        self
    }

    /// What to do about it.
    pub(super) fn advice(mut self, advice: impl Into<String>) -> Self {
        self.advice = Some(advice.into());
        self
    }

    /// Marks the mistake as one that a broken line elsewhere may have caused.
    pub(super) const fn elsewhere(mut self) -> Self {
        self.scope = Scope::Elsewhere;
        self
    }
}

/// The mistakes found so far.
#[derive(Debug, Default)]
pub(super) struct Mistakes(RefCell<Vec<Mistake>>);

impl Mistakes {
    /// Adds a mistake.
    pub(super) fn report(&self, mistake: Mistake) -> Reported {
        self.0.borrow_mut().push(mistake);
        Reported(())
    }

    /// The token for a name that can't be looked up because a reported mistake keeps its definition from being read.
    pub(super) const fn already_reported() -> Reported {
        Reported(())
    }

    /// Whether there is none.
    pub(super) fn is_empty(&self) -> bool {
        self.0.borrow().is_empty()
    }

    /// Adds mistakes of syntax and drops those that follow from them: on the same line, inside a list that isn't closed,
    /// in a value that the parser made up in place of one that it could not read (that has no place), and, if the parser
    /// can have lost its way, all that miss something.
    pub(super) fn add_syntax(&self, text: &str, broken: Broken) {
        let newlines: Vec<usize> = text.bytes().enumerate().filter(|(_, b)| *b == b'\n').map(|(i, _)| i).collect();
        let line = |m: &Mistake| newlines.partition_point(|newline| *newline < m.span.start);
        let lines: BTreeSet<usize> = broken.mistakes.iter().map(line).collect();
        let mut found = self.0.borrow_mut();
        found.retain(|m| {
            let lost = broken.lost && m.scope == Scope::Elsewhere;
            let made_up = m.span == (0..0) && m.scope == Scope::Here;
            !lost && !made_up && m.span.start < broken.swallowed && !lines.contains(&line(m))
        });
        found.extend(broken.mistakes);
    }

    /// All of them as problems of the file; each place is named once with each message.
    pub(super) fn into_problems(self, file: &str, text: &str) -> Problems {
        let mut mistakes = self.0.into_inner();
        mistakes.sort_by_key(|mistake| mistake.span.start);
        mistakes.dedup_by(|b, a| a.span == b.span && a.message == b.message);
        let mut places = Places::new(text);
        let problem = |mistake: Mistake| {
            let place = places.find(&mistake.span);
            Problem {
                file: file.to_owned(),
                span: mistake.span,
                line: place.line,
                column: place.column,
                message: mistake.message,
                expected: mistake.expected,
                nearest: mistake.nearest,
                advice: mistake.advice,
                excerpt: place.excerpt,
                marks: place.marks,
            }
        };
        Problems::new(mistakes.into_iter().map(problem).collect())
    }
}

/// The one of `known` that `name` was probably meant to be: equal but for case and separators, or at most one edit in three
/// characters away. Looks at the first thousand only, so that a hostile file can't keep the reader busy.
pub(super) fn nearest<'k>(name: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    // No name in use is longer, and the distance of very long texts would take very long.
    if name.is_empty() || name.len() > 80 {
        return None;
    }
    let plain = |s: &str| s.to_lowercase().replace(['-', ' ', '.'], "_");
    let name = plain(name);
    let limit = name.chars().count().checked_div(3).unwrap_or(0).max(1);
    known
        .into_iter()
        .take(1_000)
        .filter(|known| known.len() <= 80 && !known.is_empty())
        .map(|known| (strsim::osa_distance(&name, &plain(known)), known))
        // A short name must keep more than half of its characters.
        .filter(|(distance, known)| *distance <= limit && distance.saturating_mul(2) < known.chars().count().max(2))
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, known)| known)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_near_names_are_suggested() {
        for (name, known, expected) in [
            ("watchdg", vec!["worst_case", "watchdog"], Some("watchdog")),
            ("to-host", vec!["to_device", "to_host"], Some("to_host")),
            ("fscp 12/1", vec!["FSCP 12/1", "FSCP 3/1"], Some("FSCP 12/1")),
            ("SS1r", vec!["STO", "SS1-t", "SS1-r"], Some("SS1-r")),
            ("gate-swtich", vec!["gate-switch", "gate"], Some("gate-switch")),
            ("msec", vec!["ms", "s"], None),
            ("lift", vec!["conveyor", "gate"], None),
            ("x", vec!["y"], None),
            ("", vec!["a"], None),
        ] {
            assert_eq!(nearest(name, known), expected, "{name}");
        }
        let long = "x".repeat(1_000_000);
        assert_eq!(nearest(&long, [long.as_str()]), None);
    }
}
