//! What a capture is held against beside the times of the budget: what is stated about measured reactions, and in which
//! order signals may change.

use crate::time::Span;

/// A tolerance statement: with `confidence`, at least `coverage` of all reactions lie below a figure. Both in millionths.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Statement {
    /// Share of all reactions.
    pub coverage: u32,
    /// Confidence.
    pub confidence: u32,
}

impl Default for Statement {
    /// 95 % with 95 %: common practice, no source.
    fn default() -> Self {
        Self { coverage: 950_000, confidence: 950_000 }
    }
}

/// What holds for the captures of a machine.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Measuring {
    /// What is stated about measured reactions, unless a function says otherwise.
    pub statement: Statement,
    /// Longest time from a packet on the wire to its time stamp: a mirror port, a time stamp made in software.
    pub tap_delay: Span,
}

/// What the reactions of one function in a capture are held against.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ReactionRules {
    /// What is stated about its measured reactions; `None` takes that of the machine.
    pub statement: Option<Statement>,
    /// Signal whose rising edge, after the demand has ended, permits that the reaction is withdrawn: the manual reset.
    pub acknowledge: Option<usize>,
    /// Signal that starts motion again: it must not become active before the demand has ended and was acknowledged.
    pub restart: Option<usize>,
    /// What a reaction without a demand means.
    pub without_demand: WithoutDemand,
}

/// What a reaction without a demand means.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum WithoutDemand {
    /// It is counted and told: other causes than the declared demands may bring it.
    #[default]
    Told,
    /// It is a finding.
    Finding,
}

impl WithoutDemand {
    /// The name used in files.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Told => "told",
            Self::Finding => "finding",
        }
    }
}
