//! Two channels of one input or output.

use crate::time::Span;

/// Two signals that say the same, and how long they may disagree.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pair {
    /// Name in the file.
    pub id: String,
    /// Words for people.
    pub title: Option<String>,
    /// Indices of the two signals.
    pub channels: [usize; 2],
    /// How their bits relate; the signals' active levels say the same, so the channels agree when both are active or none is.
    pub relation: Relation,
    /// Longest time that they may disagree (discrepancy time).
    pub discrepancy: Span,
    /// Where that comes from.
    pub source: Option<String>,
}

/// How the bits of two channels relate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Relation {
    /// The same level.
    Equivalent,
    /// Opposite levels.
    Antivalent,
}

impl Relation {
    /// The name used in files.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Equivalent => "equivalent",
            Self::Antivalent => "antivalent",
        }
    }
}
