//! What a run passes through, taken from the machine file.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use std::ops::Range;

use super::super::path::Chain;
use super::super::response::Watched;
use crate::latency::chain::{Rule, Stage};
use crate::latency::tolerance::Tolerance;
use crate::machine::{Connection, Function, Machine, ResponseForm, Stages, Step, WorstCaseFrom};
use crate::time::Span;

/// Everything that a run needs; times in nanoseconds.
pub(super) struct Parts {
    pub(super) parts: Vec<Part>,
    pub(super) spans: Vec<Watch>,
    /// Every single fault.
    pub(super) sources: Vec<Struck>,
}

/// One step of the path.
pub(super) struct Part {
    pub(super) transit: Transit,
    /// Longest time to the safe state if the element itself fails.
    pub(super) failing: i64,
}

/// How data passes a part without a fault.
pub(super) enum Transit {
    /// Within a time.
    Within(i64),
    /// Through periodic stages.
    Stages(Vec<Stage>),
    /// Through periodic stages whose offsets one clock keeps.
    Synchronised {
        stages: Vec<Stage>,
        /// Moment after the clock's zero at which a demand waits longest, and period of the whole.
        worst_moment: i64,
        hyperperiod: i64,
    },
}

/// The watchdog of a connection.
pub(super) struct Watch {
    pub(super) members: Range<usize>,
    /// Place of the connection.
    pub(super) connection: usize,
    pub(super) expiry: Expiry,
    pub(super) tolerance: Tolerance,
}

/// When the watchdog of a dead connection brings the safe state.
pub(super) enum Expiry {
    /// So long after the last exchange that began before the demand; these follow one another within the interval.
    Exchange { watchdog: i64, interval: i64 },
    /// IEC 62541-15.
    Consumer { timeout: i64, cycle: i64 },
    /// FSCP 2/1: age of the last packet, and so many intervals without another.
    Packets { delay: i64, intervals: i64, interval: i64 },
}

/// Which elements and connections have failed.
#[derive(Clone)]
pub(super) struct Struck {
    elements: Vec<bool>,
    connections: Vec<bool>,
}

impl Struck {
    pub(super) fn and(mut self, other: &Self) -> Self {
        self.elements.iter_mut().zip(&other.elements).for_each(|(own, other)| *own |= other);
        self.connections.iter_mut().zip(&other.connections).for_each(|(own, other)| *own |= other);
        self
    }

    pub(super) fn with_all_elements(mut self) -> Self {
        self.elements.fill(true);
        self
    }

    pub(super) fn with_connection(mut self, span: usize) -> Self {
        self.connections.get_mut(span).into_iter().for_each(|struck| *struck = true);
        self
    }

    pub(super) fn without_connection(mut self, span: usize) -> Self {
        self.connections.get_mut(span).into_iter().for_each(|struck| *struck = false);
        self
    }

    pub(super) fn has_connection(&self, span: usize) -> bool {
        self.connections.get(span) == Some(&true)
    }

    pub(super) fn has_element(&self, place: usize) -> bool {
        self.elements.get(place) == Some(&true)
    }

    fn with(mut self, watched: Watched) -> Self {
        match watched {
            Watched::Element(place) => self.elements.get_mut(place).into_iter().for_each(|struck| *struck = true),
            Watched::Connection(span) => return self.with_connection(span),
            Watched::Common(_) => {}
        }
        self
    }
}

impl Parts {
    pub(super) fn new(machine: &Machine, function: &Function, chain: &Chain) -> Self {
        let parts = function.path.iter().filter_map(|step| Part::of(machine, *step)).collect();
        let spans = chain.supervisions.iter().filter_map(|supervision| {
            let members = supervision.members.iter().copied();
            let (first, last) = (members.clone().min()?, members.clone().max()?);
            let connection = members.clone().find_map(|place| match function.path.get(place)? {
                Step::Connection(index) => Some((place, machine.connections.get(*index)?)),
                Step::Element(_) => None,
            });
            let (place, connection) = connection?;
            Some(Watch {
                members: first..last.saturating_add(1),
                connection: place,
                expiry: Expiry::of(connection),
                tolerance: connection.response.clock_tolerance,
            })
        });
        let mut told = Self { parts, spans: spans.collect(), sources: Vec::new() };
        let nothing = told.nothing();
        let elements = chain.elements.iter().enumerate().filter(|(_, element)| element.watchdog.is_some());
        let single = elements.map(|(place, _)| Watched::Element(place));
        let single = single.chain((0..chain.supervisions.len()).map(Watched::Connection));
        told.sources = single.map(|watched| nothing.clone().with(watched)).collect();
        let together =
            |strikes: &[Watched]| strikes.iter().fold(nothing.clone(), |struck, watched| struck.with(*watched));
        told.sources.extend(chain.causes.iter().map(|cause| together(&cause.strikes)));
        told
    }

    pub(super) fn nothing(&self) -> Struck {
        Struck { elements: vec![false; self.parts.len()], connections: vec![false; self.spans.len()] }
    }
}

impl Part {
    fn of(machine: &Machine, step: Step) -> Option<Self> {
        Some(match step {
            Step::Element(index) => {
                let element = machine.elements.get(index)?;
                let worst_case = element.worst_case.as_nanos();
                let watchdog = element.watchdog.map_or(worst_case, Span::as_nanos);
                let transit = Transit::of(element.delay.worst_case_from, element.delay.stages.as_ref(), worst_case);
                Self { transit, failing: watchdog.max(worst_case) }
            }
            Step::Connection(index) => {
                let connection = machine.connections.get(index)?;
                let (from, worst_case) = (connection.response.worst_case_from, connection.worst_case.as_nanos());
                let transit = match (from, connection.cycles) {
                    (WorstCaseFrom::Cycles, Some(cycles)) => {
                        let stages = [cycles.bus, cycles.host, cycles.device].map(Stage::logical_execution_time);
                        Transit::Stages(stages.to_vec())
                    }
                    _ => Transit::of(from, connection.response.stages.as_ref(), worst_case),
                };
                Self { transit, failing: worst_case }
            }
        })
    }
}

impl Transit {
    fn of(from: WorstCaseFrom, stages: Option<&Stages>, worst_case: i64) -> Self {
        let (WorstCaseFrom::Stages(_), Some(Stages { stages, derived })) = (from, stages) else {
            return Self::Within(worst_case);
        };
        // A bound over all phases is tried with all phases, whatever the offsets.
        if derived.rule != Rule::Enumeration {
            return Self::Stages(stages.clone());
        }
        let stages = stages.clone();
        let (worst_moment, hyperperiod) = super::course::worst_moment(&stages);
        Self::Synchronised { stages, worst_moment, hyperperiod }
    }
}

impl Expiry {
    fn of(connection: &Connection) -> Self {
        match &connection.response.form {
            Some(ResponseForm::Iec62541_15 { consumer_timeout, consumer_cycle }) => {
                Self::Consumer { timeout: consumer_timeout.as_nanos(), cycle: consumer_cycle.as_nanos() }
            }
            Some(ResponseForm::Fscp2_1 { output, timing }) => {
                let interval = timing.packet_interval.as_nanos();
                let percent = i64::from(timing.network_delay_percent);
                let delay = interval.saturating_mul(percent).checked_div(100).unwrap_or(0);
                let intervals = i64::from(timing.timeout_multiplier).saturating_sub(i64::from(*output));
                Self::Packets { delay, intervals, interval }
            }
            form => {
                let limit = form.as_ref().and_then(ResponseForm::limit).flatten();
                let watchdog = limit.unwrap_or(connection.watchdog).as_nanos();
                let interval = connection.shortest_cycle().unwrap_or(connection.worst_case).as_nanos();
                Self::Exchange { watchdog, interval: interval.min(watchdog) }
            }
        }
    }
}
