//! Two saved runs of one machine against each other: what became worse, what is new, what is gone.
//!
//! Pure: it reads the octets of a saved result, never the results themselves, so that runs of different days, and of
//! different versions of this program, can be compared. Measured figures are compared with measured ones, bounded with bounded.

mod blocks;
mod connection;
mod effect;
mod function;
mod limit;
mod saved;
#[cfg(test)]
mod tests;

pub use blocks::{BlockTest, FEWEST_BLOCKS, NoTest, block_test};
pub use connection::{ConnectionChange, CountChange, LineChange};
pub use effect::{Shift, shift, shift_of};
pub use function::{FEWEST_REACTIONS, FunctionChange, Growth, MeanChange};
pub use limit::{Limits, Rule};
pub use saved::*;

use std::collections::BTreeMap;

/// A figure of both runs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pair<T> {
    /// Of the old run.
    pub old: T,
    /// Of the new run.
    pub new: T,
}

impl<T> Pair<T> {
    /// The same figure of two things.
    pub fn of<S>(sides: [S; 2], figure: impl Fn(S) -> T) -> Self {
        let [old, new] = sides;
        Self { old: figure(old), new: figure(new) }
    }
}

/// Something that became worse by more than its limit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Breach {
    /// The limit.
    pub rule: Rule,
    /// Connection or function.
    pub id: String,
    /// Direction, class or cause, if one is meant.
    pub what: Option<String>,
    /// Change for the worse as a share of the old figure in billionths, rounded up; the greatest number if it has none.
    pub worse_ppb: i64,
    /// What of it is beyond chance, of a mean: that is what the limit is for.
    pub beyond_ppb: Option<i64>,
}

/// Why something can't be compared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotCompared {
    /// The runs are of machines with different names.
    Machines(Pair<String>),
    /// The runs are of different revisions of the machine.
    Revisions(Pair<String>),
    /// A run was not fully examined itself.
    NotExamined {
        /// Whether it is the new one.
        new: bool,
        /// Its first reason.
        why: String,
    },
    /// A connection is in one run only.
    Connection {
        /// Its name.
        id: String,
        /// Whether it is in the new one.
        new: bool,
    },
    /// A function is in one run only.
    Function {
        /// Its name.
        id: String,
        /// Whether it is in the new one.
        new: bool,
    },
    /// One of the runs has no functions: a result of `analyze`.
    NoFunctions {
        /// Whether it is the new one.
        new: bool,
    },
    /// The findings of a connection were not all kept.
    Omitted {
        /// The connection.
        id: String,
        /// Whether it is in the new run.
        new: bool,
    },
    /// A connection shows no intervals in a run.
    NoIntervals {
        /// The connection.
        id: String,
        /// Whether it is in the new run.
        new: bool,
    },
}

/// Two runs compared.
#[derive(Clone, Debug)]
pub struct Comparison {
    /// Length of the captures in nanoseconds.
    pub span_ns: Pair<Option<i64>>,
    /// The limits.
    pub limits: Limits,
    /// Connections that are in both runs, the worst first.
    pub connections: Vec<ConnectionChange>,
    /// Functions that are in both runs, the worst first.
    pub functions: Vec<FunctionChange>,
    /// Limits broken, the worst first.
    pub breaches: Vec<Breach>,
    /// What can't be compared.
    pub not_compared: Vec<NotCompared>,
}

/// Compares `new` with `old`.
pub fn compare(old: &Saved, new: &Saved, limits: Limits) -> Comparison {
    let mut not_compared = heads(old, new);
    let mut connections = Vec::new();
    let lists = [old, new].map(|saved| saved.connections.as_deref().unwrap_or_default());
    for (id, sides) in matched(lists.map(|list| list.iter().map(|one| (one.id.as_str(), one)).collect())) {
        match sides {
            [Some(old), Some(new)] => {
                not_compared.extend(connection::gaps(old, new));
                connections.push(connection::change(old, new));
            }
            [_, new] => not_compared.push(NotCompared::Connection { id: id.to_owned(), new: new.is_some() }),
        }
    }
    let runs = Pair::of([old, new], Saved::run_count);
    let mut functions = Vec::new();
    if let (Some(old), Some(new)) = (&old.functions, &new.functions) {
        for (id, sides) in matched([old, new].map(|list| list.iter().map(|one| (one.id.as_str(), one)).collect())) {
            match sides {
                [Some(old), Some(new)] => functions.push(function::change(old, new, runs)),
                [_, new] => not_compared.push(NotCompared::Function { id: id.to_owned(), new: new.is_some() }),
            }
        }
    }
    let of_connections = connections.iter().flat_map(|change| change.worse());
    let worse = of_connections.chain(functions.iter().flat_map(FunctionChange::worse));
    let mut breaches: Vec<_> = worse
        .filter(|worse| limits.of(worse.rule).is_some_and(|limit| worse.beyond_ppb.unwrap_or(worse.worse_ppb) > limit))
        .collect();
    // What happened comes before what only grew; equals stay in the order of the machine file.
    let rank = |rule: Rule| [Rule::Trip, Rule::Finding, Rule::Verdict].iter().position(|first| *first == rule);
    breaches.sort_by_key(|breach| (rank(breach.rule).unwrap_or(3), std::cmp::Reverse(breach.worse_ppb)));
    let place = |id: &str| breaches.iter().position(|breach| breach.id == id).unwrap_or(usize::MAX);
    connections.sort_by_key(|change| (place(&change.id), std::cmp::Reverse(change.margin_lost_ppb())));
    functions.sort_by_key(|change| place(&change.id));
    let span_ns = Pair::of([old, new], |saved| saved.capture.as_ref().and_then(|capture| capture.span_ns));
    Comparison { span_ns, limits, connections, functions, breaches, not_compared }
}

/// What keeps the runs as a whole from being compared.
fn heads(old: &Saved, new: &Saved) -> Vec<NotCompared> {
    let mut gaps = Vec::new();
    if let (Some(old), Some(new)) = (&old.machine, &new.machine) {
        if old.name != new.name {
            gaps.push(NotCompared::Machines(Pair::of([old, new], |machine| machine.name.clone())));
        } else if old.revision != new.revision {
            gaps.push(NotCompared::Revisions(Pair::of([old, new], |machine| machine.revision.clone())));
        }
    }
    for (saved, new) in [(old, false), (new, true)] {
        gaps.extend(saved.not_examined.first().map(|why| NotCompared::NotExamined { new, why: why.clone() }));
    }
    if old.functions.is_some() != new.functions.is_some() {
        gaps.push(NotCompared::NoFunctions { new: new.functions.is_none() });
    }
    gaps
}

/// Both lists by name, in the order of the old one, then what is only new.
fn matched<'a, T>(lists: [Vec<(&'a str, &'a T)>; 2]) -> Vec<(&'a str, [Option<&'a T>; 2])> {
    let [old, new] = lists;
    let mut rest: BTreeMap<&str, &T> = new.iter().copied().collect();
    let mut matched: Vec<_> = old.into_iter().map(|(id, one)| (id, [Some(one), rest.remove(id)])).collect();
    matched.extend(new.into_iter().filter_map(|(id, _)| Some((id, [None, Some(rest.remove(id)?)]))));
    matched
}
