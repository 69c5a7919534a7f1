//! Two channels against their discrepancy time.

use super::Judgement;
use crate::check::{Discrepancy, PairOutcome};
use crate::machine::Pair;
use crate::time::Span;

/// One pair in the run.
#[derive(Clone, Debug)]
pub struct PairVerdict {
    /// What was seen.
    pub outcome: PairOutcome,
    /// Disagreements that lasted longer than the limit, for certain.
    pub exceeded: Vec<Discrepancy>,
    /// In one word.
    pub status: PairStatus,
}

/// The state of a pair in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PairStatus {
    /// No change of both channels was seen.
    NotExamined,
    /// Every disagreement was shorter than the limit, for certain.
    Within,
    /// One may have been longer: the telegrams do not show it that finely.
    Uncertain,
    /// One was longer.
    Exceeded,
}

impl PairStatus {
    pub(super) const fn judgement(self) -> Judgement {
        match self {
            Self::Exceeded => Judgement::Findings,
            // As with functions: what nobody exercised is told, and is no gap of the run.
            Self::NotExamined | Self::Within | Self::Uncertain => Judgement::WithinLimits,
        }
    }
}

/// `uncertain` is what clock and tap add to each time.
pub(super) fn judge(pair: &Pair, outcome: &PairOutcome, uncertain: Span) -> PairVerdict {
    let beyond = |span: Span| span.checked_add(uncertain).unwrap_or(Span::MAX) > pair.discrepancy;
    let limit = pair.discrepancy.checked_add(uncertain).unwrap_or(Span::MAX);
    // The worst one may be beyond those that are kept.
    let listed = outcome.changes.list.iter().copied();
    let worst = outcome.worst.filter(|worst| !outcome.changes.list.contains(worst));
    let exceeded: Vec<_> = listed.chain(worst).filter(|told| told.least > limit).collect();
    let status = if !exceeded.is_empty() {
        PairStatus::Exceeded
    } else if outcome.changes.total == 0 {
        PairStatus::NotExamined
    } else if outcome.longest.is_some_and(beyond) || outcome.changes.list.iter().any(|told| told.most.is_none()) {
        PairStatus::Uncertain
    } else {
        PairStatus::Within
    };
    PairVerdict { outcome: outcome.clone(), exceeded, status }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::{DiscrepancyEnd, Location};
    use crate::machine::Relation;
    use crate::time::Instant;

    fn status(spans: &[(i64, Option<i64>)], uncertain: i64) -> (PairStatus, usize) {
        let ms = Span::from_millis;
        let (relation, discrepancy) = (Relation::Equivalent, ms(20));
        let pair = Pair { id: "gate".into(), title: None, channels: [0, 1], relation, discrepancy, source: None };
        let at = Location { at: Instant::from_nanos(0), file: 0, packet: 1 };
        let mut outcome = PairOutcome::default();
        for (least, most) in spans {
            let (least, most, how) = (ms(*least), most.map(ms), DiscrepancyEnd::Followed);
            outcome.changes.list.push(Discrepancy { first: 0, begin: at, end: at, measured: least, least, most, how });
            outcome.changes.total += 1;
            outcome.longest = outcome.longest.max(most);
        }
        let verdict = judge(&pair, &outcome, ms(uncertain));
        (verdict.status, verdict.exceeded.len())
    }

    /// The list keeps the first changes only; the worst one counts wherever it was.
    #[test]
    fn the_worst_change_counts_beyond_the_list() {
        let ms = Span::from_millis;
        let (relation, discrepancy) = (Relation::Equivalent, ms(20));
        let pair = Pair { id: "gate".into(), title: None, channels: [0, 1], relation, discrepancy, source: None };
        let at = |packet| Location { at: Instant::from_nanos(0), file: 0, packet };
        let change = |packet, least| {
            let (least, how) = (ms(least), DiscrepancyEnd::Followed);
            Discrepancy { first: 0, begin: at(packet), end: at(packet), measured: least, least, most: Some(least), how }
        };
        let mut outcome = PairOutcome::default();
        outcome.changes.list.push(change(1, 5));
        (outcome.changes.total, outcome.worst) = (2, Some(change(2, 500)));
        let verdict = judge(&pair, &outcome, ms(1));
        assert_eq!((verdict.status, verdict.exceeded), (PairStatus::Exceeded, vec![change(2, 500)]));
        outcome.worst = Some(change(1, 5));
        assert_eq!(judge(&pair, &outcome, ms(1)).status, PairStatus::Within);
    }

    #[test]
    fn a_limit_is_exceeded_only_for_certain() {
        assert_eq!(status(&[], 0), (PairStatus::NotExamined, 0));
        assert_eq!(status(&[(3, Some(11)), (12, Some(20))], 0), (PairStatus::Within, 0));
        assert_eq!(status(&[(3, Some(11)), (12, Some(20))], 1), (PairStatus::Uncertain, 0));
        assert_eq!(status(&[(20, Some(28))], 0), (PairStatus::Uncertain, 0));
        assert_eq!(status(&[(0, None)], 0), (PairStatus::Uncertain, 0));
        assert_eq!(status(&[(21, Some(29)), (3, Some(11))], 0), (PairStatus::Exceeded, 1));
        assert_eq!(status(&[(21, Some(29))], 1), (PairStatus::Uncertain, 0));
        assert_eq!(status(&[(40, None), (50, Some(60))], 1), (PairStatus::Exceeded, 2));
    }
}
