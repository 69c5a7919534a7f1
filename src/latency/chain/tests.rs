//! Bounds and enumeration against the reference chains, and against an oracle that walks through time in whole units.

use super::*;
use crate::latency::exact::{Exact, enumerate};
use proptest::prelude::*;

/// (period, phase, response) in whole units.
type Timing = (i64, i64, i64);

const E1: [Timing; 3] = [(4, 0, 1), (6, 0, 2), (10, 0, 3)];
const E2: [Timing; 2] = [(2, 0, 1), (3, 0, 1)];
const E3: [Timing; 3] = [(5, 0, 2), (10, 0, 3), (20, 0, 5)];
const E4: [Timing; 4] = [(10, 0, 4), (2, 0, 1), (4, 0, 1), (10, 0, 2)];
const E5: [Timing; 3] = [(4, 1, 1), (6, 3, 2), (10, 7, 3)];

fn ms(millis: i64) -> Span {
    Span::from_millis(millis)
}

fn stages(timings: &[Timing], communication: Communication) -> Vec<Stage> {
    let stage = |&(period, phase, response): &Timing| Stage {
        period: ms(period),
        response: ms(response),
        communication,
        offset: Some(ms(phase)),
        rank: None,
    };
    timings.iter().map(stage).collect()
}

fn unsynchronised(timings: &[Timing], communication: Communication) -> Vec<Stage> {
    let without = |stage: Stage| Stage { offset: None, ..stage };
    stages(timings, communication).into_iter().map(without).collect()
}

fn implicit(timings: &[Timing]) -> Exact {
    enumerate(&stages(timings, Communication::Implicit)).unwrap()
}

/// The oracle: unit by unit, every stage copies its input register and publishes later; the input of the first is the time
/// itself. `at` shifts writes before reads of the same unit. What is in the last register is followed for several hyperperiods:
/// its age just before it is replaced is the data age, and how long a change takes is read off the same trace.
fn trace(timings: &[Timing], delay: impl Fn(&Timing) -> i64) -> (i64, i64) {
    let hyperperiod: i64 = timings.iter().map(|t| t.0).product();
    let settle: i64 = timings.iter().map(|t| 2 * t.0).sum::<i64>() + hyperperiod;
    let end = settle + 2 * hyperperiod;
    let mut registers = vec![i64::MIN / 2; timings.len()];
    let mut under_way: Vec<Vec<(i64, i64)>> = vec![Vec::new(); timings.len()];
    let (mut age, mut reaction) = (0, 0);
    for now in 0..end {
        // Twice: what is published at the moment of a start is seen by it, also with a delay of zero.
        for (stage, timing) in timings.iter().enumerate() {
            let mut publish = |registers: &mut Vec<i64>, under_way: &mut Vec<Vec<(i64, i64)>>| {
                while let Some(&(at, value)) = under_way[stage].first() {
                    if at > now {
                        break;
                    }
                    under_way[stage].remove(0);
                    let old = registers[stage];
                    if stage + 1 == timings.len() && now >= settle {
                        age = age.max(now - old);
                        if value > old {
                            // A change just after the older sample shows now for the first time.
                            reaction = reaction.max(now - old);
                        }
                    }
                    registers[stage] = value;
                }
            };
            publish(&mut registers, &mut under_way);
            if now >= timing.1 && (now - timing.1) % timing.0 == 0 {
                let value = if stage == 0 { now } else { registers[stage - 1] };
                under_way[stage].push((now + delay(timing), value));
                publish(&mut registers, &mut under_way);
            }
        }
    }
    (reaction, age)
}

/// check-values E1 to E5: Davare, LET bound, implicit MRT = MDA, reduced MRT and MDA, LET MRT = MDA (own computation by
/// another program; the two bounds by their published formulas).
#[test]
fn reference_chains() {
    let rows: [(&[Timing], [i64; 6]); 5] = [
        (&E1, [26, 40, 23, 19, 13, 36]),
        (&E2, [7, 10, 6, 4, 3, 9]),
        (&E3, [45, 70, 40, 35, 20, 55]),
        (&E4, [34, 52, 22, 12, 12, 40]),
        (&E5, [26, 40, 23, 19, 13, 36]),
    ];
    for (row, [davare, let_bound, exact, reduced_reaction, reduced_age, exact_let]) in rows {
        assert_eq!(sum(&stages(row, Communication::Implicit)), Ok(ms(davare)), "{row:?}");
        assert_eq!(sum(&stages(row, Communication::LogicalExecutionTime)), Ok(ms(let_bound)), "{row:?}");
        let told = implicit(row);
        assert_eq!((told.reaction, told.age), (ms(exact), ms(exact)), "{row:?}");
        assert_eq!((told.reaction_from_start, told.age_at_publication), (ms(reduced_reaction), ms(reduced_age)));
        let told = enumerate(&stages(row, Communication::LogicalExecutionTime)).unwrap();
        assert_eq!((told.reaction, told.age), (ms(exact_let), ms(exact_let)), "{row:?}");
        assert_eq!(trace(row, |t| t.2), (exact, exact), "{row:?}");
        assert_eq!(trace(row, |t| t.0), (exact_let, exact_let), "{row:?}");
    }
}

/// All phases of a chain on a grid of `1 / grid` units; the worst exact reaction in milliseconds and `1 / grid` of them.
fn worst_over_phases(timings: &[Timing], grid: i64) -> i64 {
    let finer: Vec<Timing> = timings.iter().map(|t| (t.0 * grid, 0, t.2 * grid)).collect();
    let combinations: i64 = finer.iter().map(|t| t.0).product();
    let reaction = |mut index: i64| {
        let phased: Vec<Timing> = finer
            .iter()
            .map(|&(period, _, response)| {
                let phase = index % period;
                index /= period;
                (period, phase, response)
            })
            .collect();
        implicit(&phased).reaction.as_nanos() / 1_000_000
    };
    (0..combinations).map(reaction).max().unwrap()
}

/// check-values E6 (own computation): worst over all integer phases.
#[test]
fn worst_over_integer_phases() {
    assert_eq!(worst_over_phases(&E1, 1), 24);
    assert_eq!(worst_over_phases(&E2, 1), 6);
    assert_eq!(worst_over_phases(&E3, 1), 43);
}

/// check-values E7 (own computation): on finer grids the worst case of E2 tends to the bound of Davare, which is 7.
#[test]
fn finer_phases_tend_to_the_sum() {
    for (grid, tenths) in [(1, 60), (2, 65), (5, 68), (10, 69)] {
        assert_eq!(worst_over_phases(&E2, grid) * 10 / grid, tenths, "grid 1/{grid}");
    }
}

fn on_one_processor(chain: &[(i64, i64, u32)]) -> Vec<Stage> {
    let stage = |&(period, response, priority)| Stage {
        period: ms(period),
        response: ms(response),
        communication: Communication::Implicit,
        offset: None,
        rank: Some(Rank { processor: 0, priority }),
    };
    chain.iter().map(stage).collect()
}

/// check-values E8 (formula read from a public research implementation, numbers own): one processor, priorities falling
/// along the chain, then rising.
#[test]
fn shared_processor() {
    let falling = on_one_processor(&[(5, 2, 1), (10, 3, 2), (20, 5, 3)]);
    assert_eq!((priorities(&falling), data_age(&falling)), (Ok(ms(40)), Ok(ms(20))));
    let derived = derive(&falling).unwrap();
    assert_eq!((derived.worst_case, derived.rule, derived.data_age), (ms(40), Rule::Priorities, ms(20)));
    let rising = on_one_processor(&[(20, 5, 3), (10, 3, 2), (5, 2, 1)]);
    assert_eq!((priorities(&rising), data_age(&rising)), (Ok(ms(45)), Ok(ms(40))));
    assert_eq!(derive(&rising).unwrap().rule, Rule::Sum);
}

/// What decides is said, and offsets count only if every stage has one.
#[test]
fn the_sharpest_result_decides() {
    let rule = |chain: &[Stage]| {
        let derived = derive(chain).unwrap();
        (derived.rule, derived.worst_case, derived.too_long_to_enumerate)
    };
    assert_eq!(rule(&stages(&E1, Communication::Implicit)), (Rule::Enumeration, ms(23), false));
    assert_eq!(rule(&unsynchronised(&E1, Communication::Implicit)), (Rule::Sum, ms(26), false));
    let let_chain = unsynchronised(&E1, Communication::LogicalExecutionTime);
    assert_eq!(rule(&let_chain), (Rule::LogicalExecutionTime, ms(40), false));
    let mut half = stages(&E1, Communication::Implicit);
    half[1].offset = None;
    assert_eq!(rule(&half), (Rule::Sum, ms(26), false));
    // Periods without a common divisor: the hyperperiod is beyond any enumeration.
    let prime = |nanos| Stage { period: Span::from_nanos(nanos), ..half[0] };
    let long = [prime(999_999_937), prime(999_999_929)];
    assert_eq!(rule(&long), (Rule::Sum, Span::from_nanos(1_999_999_866 + 2_000_000), true));
    // One stage alone: T + R, whatever its offset.
    assert_eq!(rule(&half[..1]), (Rule::Sum, ms(5), false));
}

#[test]
fn impossible_chains_are_refused() {
    let chain = |timings: &[Timing]| derive(&stages(timings, Communication::Implicit));
    assert_eq!(chain(&[]), Err(ChainError::Empty));
    assert_eq!(chain(&[(4, 0, 1), (0, 0, 0)]), Err(ChainError::NoPeriod { stage: 1 }));
    assert_eq!(chain(&[(4, 0, 5)]), Err(ChainError::ResponseOutsidePeriod { stage: 0 }));
    assert_eq!(chain(&[(4, 0, -1)]), Err(ChainError::ResponseOutsidePeriod { stage: 0 }));
    let endless = Stage { response: Span::ZERO, ..Stage::logical_execution_time(Span::MAX) };
    assert_eq!(derive(&[endless; 2]), Err(ChainError::OutOfRange));
}

fn timing() -> impl Strategy<Value = Vec<Timing>> {
    prop::collection::vec((1_i64..9, 0_i64..9, 0_i64..9), 1..4)
        .prop_map(|raw| raw.into_iter().map(|(t, phase, r)| (t, phase % t, r % (t + 1))).collect())
}

proptest! {
    /// Whatever the phases: enumeration equals the oracle, reaction equals age, and exact <= Davare <= LET.
    #[test]
    fn enumeration_and_bounds_in_order(timings in timing()) {
        let chain = stages(&timings, Communication::Implicit);
        let told = enumerate(&chain).unwrap();
        prop_assert_eq!(told.reaction, told.age);
        let (reaction, age) = trace(&timings, |t| t.2);
        prop_assert_eq!((told.reaction, told.age), (ms(reaction), ms(age)));
        let davare = sum(&chain).unwrap();
        let let_chain = stages(&timings, Communication::LogicalExecutionTime);
        prop_assert!(told.reaction <= davare && davare <= sum(&let_chain).unwrap());
        prop_assert!(told.age_at_publication <= data_age(&chain).unwrap());
        let told = enumerate(&let_chain).unwrap();
        prop_assert_eq!(told.reaction, told.age);
        prop_assert!(told.reaction <= sum(&let_chain).unwrap());
    }

    /// The bound that knows priorities never exceeds the plain one, and equals it without shared processors.
    #[test]
    fn priorities_only_help(timings in timing(), order in prop::collection::vec(1_u32..4, 4)) {
        let chain = unsynchronised(&timings, Communication::Implicit);
        prop_assert_eq!(priorities(&chain), sum(&chain));
        let ranked: Vec<Stage> = chain.iter().zip(order)
            .map(|(stage, priority)| Stage { rank: Some(Rank { processor: 0, priority }), ..*stage }).collect();
        prop_assert!(priorities(&ranked).unwrap() <= sum(&chain).unwrap());
        prop_assert!(data_age(&ranked).unwrap() <= data_age(&chain).unwrap());
    }
}
