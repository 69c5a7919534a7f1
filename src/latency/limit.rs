//! Published limits of a connection that come from a few settings, and terms that a user enters.
//!
//! - IEC 62541-15: `2 x SafetyConsumerTimeout + ConsumerCycleTime` for each connection, several in series add up (part 15
//!   v1.05.03 clause 8.1). The request was handled just before the event, its old answer is used just before the timeout, the
//!   next exchange is lost, and the consumer notices at its next cycle. Version 1.04 printed `timeout + cycle`, which is
//!   superseded.
//! - FSCP 12/1: one way over the bus takes `k x T_Com`; published sources print `k = 2` and `k = 3`, so `k` is the caller's.
//! - FSCP 13/1: the formula of IEC 61784-3-13 clause 9 was not at hand, so its terms are the user's.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::time::Span;

/// One term of a sum that a user enters.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Term {
    /// What it is.
    pub name: String,
    /// How often it counts.
    pub count: u32,
    /// How long it takes.
    pub time: Span,
}

/// `2 x timeout + cycle` of an IEC 62541-15 connection; `None` past the range.
pub fn consumer_limit(timeout: Span, cycle: Span) -> Option<Span> {
    timeout.checked_mul(2)?.checked_add(cycle)
}

/// `k x T_Com`, one way over the bus of an FSCP 12/1 connection; `None` past the range.
pub fn bus_way(bus_cycle: Span, factor: u32) -> Option<Span> {
    bus_cycle.checked_mul(i64::from(factor))
}

/// Sum of the terms, each as often as it counts; `None` past the range.
pub fn sum(terms: &[Term]) -> Option<Span> {
    terms.iter().try_fold(Span::ZERO, |sum, term| sum.checked_add(term.time.checked_mul(i64::from(term.count))?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(millis: i64) -> Span {
        Span::from_millis(millis)
    }

    fn terms(terms: &[(u32, i64)]) -> Vec<Term> {
        let term = |&(count, time_us)| Term { name: "part".into(), count, time: Span::from_micros(time_us) };
        terms.iter().map(term).collect()
    }

    /// check-values O1 and trap T1 (part 15 v1.05.03 and .04 clause 8.1, published and redone): 210 ms. O2: the superseded
    /// form of v1.04 gave 110 ms.
    #[test]
    fn consumer_limit_counts_the_timeout_twice() {
        assert_eq!(consumer_limit(ms(100), ms(10)), Some(ms(210)));
        assert_ne!(consumer_limit(ms(100), ms(10)), Some(ms(110)));
        assert_eq!(consumer_limit(Span::MAX, ms(1)), None);
    }

    /// check-values O3 and W4 (formula (2) of part 15, numbers our own): request 20 + provider 10 + response 20 +
    /// consumer 10 ms make a timeout of 60 ms at least, and with that and a cycle of 10 ms a limit of 130 ms.
    #[test]
    fn shortest_consumer_timeout() {
        let timeout = sum(&terms(&[(1, 20_000), (1, 10_000), (1, 20_000), (1, 10_000)])).unwrap();
        assert_eq!(timeout, ms(60));
        assert_eq!(consumer_limit(timeout, ms(10)), Some(ms(130)));
    }

    /// check-values S5 (a drive maker's manual p. 824, formula published, numbers redone), t_mon = t_K1 = t_K2 = debounce =
    /// 4 ms: WCDT = 2 t_mon + t_K1, DAT = 2 t_mon + t_K1 + t_K2, input change = debounce + 2 t_mon + 3.5 ms + t_K2.
    #[test]
    fn a_drive_as_a_device() {
        assert_eq!(sum(&terms(&[(2, 4_000), (1, 4_000)])), Some(ms(12)));
        assert_eq!(sum(&terms(&[(2, 4_000), (1, 4_000), (1, 4_000)])), Some(ms(16)));
        assert_eq!(sum(&terms(&[(1, 4_000), (2, 4_000), (1, 3_500), (1, 4_000)])), Some(Span::from_micros(19_500)));
    }

    /// check-values F3 (a drive maker's manual p. 138, formula published, numbers our own): 20 ms with a watchdog of 10 ms; with
    /// 25 ms it is twice the difference more over one connection, three times over two.
    #[test]
    fn scaling_with_the_watchdog() {
        let longer = 25_000 - 10_000;
        assert_eq!(sum(&terms(&[(1, 20_000), (2, longer)])), Some(ms(50)));
        assert_eq!(sum(&terms(&[(1, 20_000), (3, longer)])), Some(ms(65)));
    }

    #[test]
    fn sums_stay_in_range() {
        assert_eq!(sum(&[]), Some(Span::ZERO));
        assert_eq!(sum(&terms(&[(2, i64::MAX)])), None);
        assert_eq!(bus_way(ms(4), 3), Some(ms(12)));
        assert_eq!(bus_way(Span::MAX, 2), None);
    }
}
