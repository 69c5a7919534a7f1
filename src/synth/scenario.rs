//! Demands on the safety functions and the reactions to them.
//!
//! A demand signal becomes active at its sender. When the receiver has taken the telegram, the elements and connections
//! between it and the reaction's connection take a share of their worst case, and the reaction signal becomes active at
//! its sender. A reaction that the device reports needs one step more: the host's next telegram carries the command to
//! the device, the elements behind the connection take their share, and the device reports. What lies before the
//! demand's connection cannot be seen in a capture and is left out.
//!
//! A connection with fail-safe values demands what its signals that are active when low would demand.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::channels::Change;
use super::deviation::{self, Deviation, DeviationKind};
use super::dice::{Concern, Dice};
use super::error::SynthError;
use super::fault::Fault;
use super::ledger::LedgerDemand;
use super::link::{Link, Mark, bit, set_bit};
use super::plan::{Demands, FaultKind, Plan};
use super::sequence::{self, Wrong};
use super::tap::Place;
use crate::machine::{Direction, Function, Machine, Profile, Signal, Step};
use crate::time::Span;

const MILLISECOND: i64 = 1_000_000;

/// A demand lasts 300 to 600 ms longer than its reactions may take, a reaction 200 to 400 ms longer than its demand.
const HOLD: (i64, i64) = (300 * MILLISECOND, 600 * MILLISECOND);
const AFTERGLOW: (i64, i64) = (200 * MILLISECOND, 400 * MILLISECOND);

/// Shares of the worst case that an element takes, in hundredths.
const SHARE: (i64, i64) = (20, 90);

/// A demand still to come.
#[derive(Clone, Copy, Debug)]
pub(super) struct Due {
    pub(super) at: i64,
    pub(super) signal: usize,
    /// The function of a plan that lists its demands.
    listed: Option<usize>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// The signal is active, the receiver has not seen it yet.
    Demanded,
    /// The delays before the reaction or command run.
    Seen,
    /// The command goes with the next telegram to the device after this one.
    Commanded { serial: u64 },
    /// The reaction is requested.
    Reacting,
}

/// One demand on one function.
#[derive(Debug)]
pub(super) struct Course {
    function: usize,
    demand: usize,
    reaction: usize,
    stage: Stage,
    /// Delays between demand and reaction, or between demand and command.
    before: i64,
    /// Delays behind the command; `None` if the reaction needs no command.
    after: Option<i64>,
    /// Where the reaction is a command: delays from there until the drive begins to stop.
    to_stop: Option<i64>,
    released_at: i64,
    /// When the telegrams with demand and reaction were put in place.
    sent: [Option<i64>; 2],
    wrong: Option<Wrong>,
    demand_place: Option<Place>,
    reaction_place: Option<Place>,
}

/// What is to happen later.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Later {
    /// The signal goes back.
    Release { signal: usize },
    /// The delays of a demand have run.
    Act { course: usize },
    /// The drive begins to stop.
    Stop { course: usize },
    /// A reaction goes back, perhaps too early.
    Withdraw { signal: usize, deviation: Option<usize> },
    /// Somebody presses.
    Press { signal: usize, deviation: Option<usize> },
    /// The second channel of a pair follows.
    Follow { change: usize },
    /// A reaction comes by itself.
    Unprompted { deviation: usize },
}

#[derive(Clone, Debug, Default)]
struct Level {
    requests: u32,
    /// Packet that showed the present activation.
    edge: Option<Place>,
    /// Demands whose reaction is the activation that another one caused.
    followers: Vec<usize>,
}

/// All demands, made and to come.
pub(super) struct Scenario<'m> {
    pub(super) machine: &'m Machine,
    dice: Dice,
    fail_safe_dice: Dice,
    stop_dice: Dice,
    pub(super) sequence_dice: Dice,
    pub(super) channel_dice: Dice,
    pub(super) deviations: Vec<Deviation>,
    /// What the second channel of the present demand does wrong.
    pub(super) wrong_channel: Option<Wrong>,
    pub(super) changes: Vec<Change>,
    /// When the present demand ends.
    pub(super) released_at: i64,
    /// What is to happen beside.
    pub(super) further: Vec<(i64, Later)>,
    levels: Vec<Level>,
    courses: Vec<Course>,
    open: Vec<usize>,
    /// Courses whose command is under way to a drive with values.
    commands: Vec<usize>,
    /// What the axes have to be told: demands by signal, stops by function.
    pub(super) demanded: Vec<usize>,
    pub(super) stopping: Vec<usize>,
}

impl<'m> Scenario<'m> {
    /// The scenario of `plan`, and when its demands are due.
    pub(super) fn new(
        machine: &'m Machine,
        plan: &Plan,
        links: &[Link],
        faults: &[Fault],
    ) -> Result<(Self, Vec<Due>), SynthError> {
        let mut dice = Dice::new(plan.seed, Concern::Demands);
        let due = match &plan.demands {
            Demands::All => all(machine, plan, links, faults, &mut dice),
            Demands::List(list) => listed(machine, plan, list, links, faults)?,
        };
        let mut scenario = Self {
            machine,
            dice,
            fail_safe_dice: Dice::new(plan.seed, Concern::FailSafe),
            stop_dice: Dice::new(plan.seed, Concern::Stops),
            sequence_dice: Dice::new(plan.seed, Concern::Sequence),
            channel_dice: Dice::new(plan.seed, Concern::Channels),
            deviations: Deviation::all(machine, &plan.deviations)?,
            wrong_channel: None,
            changes: Vec::new(),
            released_at: i64::MIN,
            further: Vec::new(),
            levels: vec![Level::default(); machine.signals.len()],
            courses: Vec::new(),
            open: Vec::new(),
            commands: Vec::new(),
            demanded: Vec::new(),
            stopping: Vec::new(),
        };
        scenario.plan_unprompted();
        Ok((scenario, due))
    }

    /// Makes the demand, unless one of its connections does not run; then a listed one is an error.
    pub(super) fn demand(
        &mut self,
        due: Due,
        now: i64,
        links: &mut [Link],
    ) -> Result<Option<(i64, Later)>, SynthError> {
        if !involved(self.machine, due.signal).iter().all(|c| links.get(*c).is_some_and(Link::is_running)) {
            return due.listed.map_or(Ok(None), |function| {
                Err(SynthError::NotStaged { what: described(self.machine, function), at: Span::from_nanos(due.at) })
            });
        }
        let (wrong, longer) = self.deviates(&due, now, links);
        let hold = self.dice.between(HOLD.0, HOLD.1).saturating_add(reaction_time(self.machine, due.signal));
        let released_at = now.saturating_add(hold).saturating_add(longer);
        (self.released_at, self.wrong_channel) = (released_at, wrong.filter(|wrong| wrong.kind.is_of_pair()));
        self.request(due.signal, now, links);
        self.demanded.push(due.signal);
        let courses = open(self.machine, &mut self.dice, due.signal, released_at);
        self.begin(courses, due.signal, wrong, links);
        Ok(Some((released_at, Later::Release { signal: due.signal })))
    }

    /// A run of process data ends. In FSCP 3/1 fail-safe values follow, which demand as the signals' level 0 does; the
    /// demand is over by itself when process data are back.
    pub(super) fn fail_safe(&mut self, connection: usize, direction: Direction, now: i64, links: &mut [Link]) {
        let declared = self.machine.connections.get(connection);
        if !declared.is_some_and(|connection| matches!(connection.profile, Profile::Fscp3_1(_))) {
            return;
        }
        for (index, signal) in self.machine.signals.iter().enumerate() {
            let requested = self.levels.get(index).is_none_or(|level| level.requests > 0);
            if signal.connection != connection || signal.direction != direction || signal.active_high || requested {
                continue;
            }
            self.demanded.push(index);
            for course in open(self.machine, &mut self.fail_safe_dice, index, now.saturating_add(HOLD.1)) {
                let index = self.start(course);
                self.sent(&[Mark::Demand(index)], now);
                if let Some(link) = links.get_mut(connection) {
                    link.lane_mut(direction).marks.push(Mark::Demand(index));
                }
            }
        }
    }

    /// Courses of a demand on `signal`, except those that a deviation leaves unanswered.
    pub(super) fn begin(&mut self, courses: Vec<Course>, signal: usize, wrong: Option<Wrong>, links: &mut [Link]) {
        for mut course in courses {
            course.wrong = self.wrong_for(wrong, course.function);
            if let Some(wrong) = course.wrong.filter(|wrong| wrong.kind == DeviationKind::MissingReaction) {
                self.mark_deviation(signal, Some(wrong.index), links);
                continue;
            }
            let index = self.start(course);
            self.mark(signal, Mark::Demand(index), links);
        }
    }

    /// A further demand, by the second channel of a pair.
    pub(super) fn demand_by_channel(&mut self, signal: usize, released_at: i64, links: &mut [Link]) {
        self.demanded.push(signal);
        let courses = open(self.machine, &mut self.channel_dice, signal, released_at);
        self.begin(courses, signal, None, links);
    }

    /// Telegrams with these marks were put in place.
    pub(super) fn sent(&mut self, marks: &[Mark], now: i64) {
        for mark in marks {
            let (index, reaction) = match mark {
                Mark::Demand(index) => (*index, false),
                Mark::Reaction(index) => (*index, true),
                _ => continue,
            };
            if let Some(course) = self.courses.get_mut(index) {
                let [demand, other] = course.sent;
                course.sent = if reaction { [demand, Some(now)] } else { [Some(now), other] };
            }
        }
    }

    /// Whether a signal is inactive, nothing is under way to it, and its connection runs.
    pub(super) fn is_at_rest(&self, signal: usize, links: &[Link]) -> bool {
        let connection = self.machine.signals.get(signal).and_then(|signal| links.get(signal.connection));
        let mut courses = self.open.iter().filter_map(|index| self.courses.get(*index));
        let under_way = courses.any(|course| course.reaction == signal || course.demand == signal);
        !self.is_requested(signal) && !under_way && connection.is_some_and(Link::is_running)
    }

    pub(super) fn deviation_shows(&mut self, index: usize, place: Place) {
        if let Some(deviation) = self.deviations.get_mut(index) {
            deviation.place.get_or_insert(place);
        }
    }

    fn start(&mut self, mut course: Course) -> usize {
        course.to_stop = self.delay_to_stop(&course);
        let index = self.courses.len();
        self.courses.push(course);
        self.open.push(index);
        index
    }

    /// Where the reaction is a command to a drive with values: the delays of what lies behind its connection.
    fn delay_to_stop(&mut self, course: &Course) -> Option<i64> {
        let machine = self.machine;
        let function = machine.functions.get(course.function)?;
        let axis = function.stop?.axis;
        machine.values.iter().find(|value| value.axis == axis)?;
        let reaction = machine.signals.get(course.reaction).filter(|signal| signal.direction == Direction::ToDevice)?;
        let place = function.path.iter().rposition(|step| *step == Step::Connection(reaction.connection))?;
        let behind = function.path.get(place.saturating_add(1)..)?;
        let delays = behind.iter().map(|step| self.stop_dice.share(worst_case(machine, *step), SHARE.0, SHARE.1));
        Some(delays.fold(0, i64::saturating_add))
    }

    /// Whether the signal is active at its sender.
    pub(super) fn is_requested(&self, signal: usize) -> bool {
        self.levels.get(signal).is_some_and(|level| level.requests > 0)
    }

    /// The function of a course.
    pub(super) fn function_of(&self, course: usize) -> Option<usize> {
        self.courses.get(course).map(|course| course.function)
    }

    /// A receiver has taken process data of a telegram.
    pub(super) fn taken(
        &mut self,
        connection: usize,
        direction: Direction,
        data: &[u8],
        serial: u64,
        now: i64,
    ) -> Vec<(i64, Later)> {
        let mut later = self.commanded(connection, direction, data, now);
        for &index in &self.open {
            let Some(course) = self.courses.get_mut(index) else { continue };
            let carries = |signal: usize| {
                self.machine.signals.get(signal).filter(|s| s.connection == connection && s.direction == direction)
            };
            let reaction_here = self.machine.signals.get(course.reaction).is_some_and(|s| s.connection == connection);
            let delay = match course.stage {
                Stage::Demanded if carries(course.demand).is_some_and(|signal| is_active(signal, data)) => {
                    course.before
                }
                Stage::Commanded { serial: before }
                    if reaction_here && direction == Direction::ToDevice && serial > before =>
                {
                    course.after.take().unwrap_or(0)
                }
                _ => continue,
            };
            course.stage = Stage::Seen;
            later.push((now.saturating_add(delay), Later::Act { course: index }));
        }
        later
    }

    /// The drives that have got a command to stop in these data.
    fn commanded(&mut self, connection: usize, direction: Direction, data: &[u8], now: i64) -> Vec<(i64, Later)> {
        let mut later = Vec::new();
        let (machine, courses) = (self.machine, &self.courses);
        self.commands.retain(|index| {
            let Some(course) = courses.get(*index) else { return false };
            let here = |s: &&Signal| s.connection == connection && s.direction == direction && is_active(s, data);
            let gets = machine.signals.get(course.reaction).filter(here).is_some();
            if gets {
                let at = now.saturating_add(course.to_stop.unwrap_or(0));
                later.push((at, Later::Stop { course: *index }));
            }
            !gets
        });
        later
    }

    /// Does what was to happen later.
    pub(super) fn act(&mut self, later: Later, now: i64, links: &mut [Link]) -> Option<(i64, Later)> {
        let index = match later {
            Later::Release { signal } => {
                self.release(signal, now, links);
                return None;
            }
            Later::Withdraw { signal, deviation } => {
                self.release(signal, now, links);
                self.mark_deviation(signal, deviation, links);
                return None;
            }
            Later::Press { signal, deviation } => {
                self.pressed(signal, deviation, now, links);
                return None;
            }
            Later::Follow { change } => {
                self.follow(change, now, links);
                return None;
            }
            Later::Unprompted { deviation } => {
                self.unprompted(deviation, now, links);
                return None;
            }
            Later::Act { course } => course,
            Later::Stop { course } => {
                self.stopping.extend(self.function_of(course));
                return None;
            }
        };
        let course = self.courses.get_mut(index)?;
        let reaction = course.reaction;
        let connection = self.machine.signals.get(reaction)?.connection;
        if course.after.is_some() {
            course.stage = Stage::Commanded { serial: links.get(connection)?.to_device.sent.serial };
            return None;
        }
        course.stage = Stage::Reacting;
        match course.to_stop {
            Some(_) => self.commands.push(index),
            None => self.stopping.push(course.function),
        }
        let afterglow = self.dice.between(AFTERGLOW.0, AFTERGLOW.1);
        let release = course.released_at.saturating_add(afterglow).max(now.saturating_add(AFTERGLOW.0));
        let (function, released_at, wrong) = (course.function, course.released_at, course.wrong);
        self.open.retain(|open| *open != index);
        let level = self.levels.get_mut(reaction)?;
        if level.requests == 0 {
            self.mark(reaction, Mark::Reaction(index), links);
        } else if let Some(edge) = level.edge {
            course.reaction_place = Some(edge);
        } else {
            level.followers.push(index);
        }
        self.request(reaction, now, links);
        let release = self.afterwards(function, released_at, release, wrong);
        let deviation = Self::shows_in_withdrawal(wrong);
        Some((release, Later::Withdraw { signal: reaction, deviation }))
    }

    /// The demand signal of a course shows for the first time.
    pub(super) fn demand_shows(&mut self, course: usize, place: Place) {
        if let Some(course) = self.courses.get_mut(course) {
            course.demand_place = Some(place);
        }
    }

    /// The reaction signal of a course shows for the first time.
    pub(super) fn reaction_shows(&mut self, course: usize, place: Place) {
        let Some(signal) = self.courses.get(course).map(|course| course.reaction) else { return };
        let mut courses = vec![course];
        if let Some(level) = self.levels.get_mut(signal) {
            level.edge = Some(place);
            courses.append(&mut level.followers);
        }
        for course in courses {
            if let Some(course) = self.courses.get_mut(course) {
                course.reaction_place = Some(place);
            }
        }
    }

    /// The demands with both edges in the capture.
    pub(super) fn finish(self) -> Vec<LedgerDemand> {
        let entry = |course: &Course| {
            let (demand, reaction) = (course.demand_place?, course.reaction_place?);
            // Where another demand's reaction was active already there is nothing to measure.
            (reaction.packet > demand.packet).then_some(())?;
            Some(LedgerDemand {
                function: self.machine.functions.get(course.function)?.id.clone(),
                demand_packet: demand.packet,
                demand_at: demand.at,
                reaction_packet: reaction.packet,
                reaction_at: reaction.at,
                reaction: reaction.at.since(demand.at),
                demand_sent: Span::from_nanos(course.sent[0]?),
                reaction_sent: Span::from_nanos(course.sent[1]?),
            })
        };
        self.courses.iter().filter_map(entry).collect()
    }

    pub(super) fn request(&mut self, signal: usize, now: i64, links: &mut [Link]) {
        let Some(level) = self.levels.get_mut(signal) else { return };
        level.requests = level.requests.saturating_add(1);
        let rises = level.requests == 1;
        set_level(self.machine, signal, true, links);
        if rises {
            self.changed(signal, true, now, links);
        }
    }

    pub(super) fn release(&mut self, signal: usize, now: i64, links: &mut [Link]) {
        let Some(level) = self.levels.get_mut(signal) else { return };
        level.requests = level.requests.saturating_sub(1);
        if level.requests == 0 {
            level.edge = None;
            set_level(self.machine, signal, false, links);
            self.changed(signal, false, now, links);
        }
    }

    pub(super) fn mark(&self, signal: usize, mark: Mark, links: &mut [Link]) {
        let Some(signal) = self.machine.signals.get(signal) else { return };
        if let Some(link) = links.get_mut(signal.connection) {
            link.lane_mut(signal.direction).edges.push(mark);
        }
    }
}

/// The courses of a demand on `signal`, one for each function, with their delays drawn.
fn open(machine: &Machine, dice: &mut Dice, signal: usize, released_at: i64) -> Vec<Course> {
    let mut courses = Vec::new();
    for (index, function) in machine.functions.iter().enumerate() {
        let Some(reaction) = function.reaction.filter(|_| function.demand == Some(signal)) else { continue };
        let (between, behind) = visible(machine, function, signal, reaction);
        let mut draw = |steps: &[Step]| {
            steps
                .iter()
                .fold(0_i64, |sum, step| sum.saturating_add(dice.share(worst_case(machine, *step), SHARE.0, SHARE.1)))
        };
        courses.push(Course {
            function: index,
            demand: signal,
            reaction,
            stage: Stage::Demanded,
            before: draw(between),
            after: behind.map(draw),
            to_stop: None,
            released_at,
            sent: [None; 2],
            wrong: None,
            demand_place: None,
            reaction_place: None,
        });
    }
    courses
}

fn is_active(signal: &Signal, data: &[u8]) -> bool {
    bit(data, signal.bit) == signal.active_high
}

fn set_level(machine: &Machine, signal: usize, active: bool, links: &mut [Link]) {
    let Some(signal) = machine.signals.get(signal) else { return };
    if let Some(link) = links.get_mut(signal.connection) {
        set_bit(&mut link.lane_mut(signal.direction).data, signal.bit, active == signal.active_high);
    }
}

fn worst_case(machine: &Machine, step: Step) -> i64 {
    let span = match step {
        Step::Element(index) => machine.elements.get(index).map(|element| element.worst_case),
        Step::Connection(index) => machine.connections.get(index).map(|connection| connection.worst_case),
    };
    span.map_or(0, Span::as_nanos)
}

/// The steps of the path between demand and reaction, and, if the reaction needs a command, those behind the command.
fn visible<'f>(
    machine: &Machine,
    function: &'f Function,
    demand: usize,
    reaction: usize,
) -> (&'f [Step], Option<&'f [Step]>) {
    let (Some(demand), Some(reaction)) = (machine.signals.get(demand), machine.signals.get(reaction)) else {
        return (&[], None);
    };
    let path = &function.path;
    let from = path.iter().position(|step| *step == Step::Connection(demand.connection));
    let to = path.iter().rposition(|step| *step == Step::Connection(reaction.connection));
    let behind = |place: Option<usize>| place.and_then(|p| path.get(p.saturating_add(1)..)).unwrap_or(&[]);
    // The device that received the demand reports the reaction itself.
    if demand.connection == reaction.connection && demand.direction == Direction::ToDevice {
        return (behind(from), None);
    }
    let between = match (from, to) {
        (Some(from), Some(to)) => path.get(from.saturating_add(1)..to).unwrap_or(&[]),
        _ => &[],
    };
    (between, (reaction.direction == Direction::ToHost).then(|| behind(to)))
}

/// The connections that a demand on `signal` and its reactions travel over, and those that may demand the same
/// reactions by fail-safe values.
fn involved(machine: &Machine, signal: usize) -> Vec<usize> {
    let functions = machine.functions.iter().filter(|function| function.demand == Some(signal));
    let reactions: Vec<usize> = functions.filter_map(|function| function.reaction).collect();
    let others = machine.functions.iter().filter(|f| f.reaction.is_some_and(|reaction| reactions.contains(&reaction)));
    let rules = machine.functions.iter().filter(|function| function.demand == Some(signal));
    let rules = rules.flat_map(|function| [function.reaction_rules.acknowledge, function.reaction_rules.restart]);
    let signals = others.filter_map(|function| function.demand).chain([signal]).chain(reactions.iter().copied());
    let signals = signals.chain(rules.flatten());
    signals.filter_map(|signal| machine.signals.get(signal)).map(|signal| signal.connection).collect()
}

/// Longest time from a demand on `signal` until everything has gone back.
fn course_time(machine: &Machine, signal: usize) -> i64 {
    let twice = reaction_time(machine, signal).saturating_mul(2);
    let over = twice.saturating_add(HOLD.1).saturating_add(AFTERGLOW.1).saturating_add(200 * MILLISECOND);
    over.saturating_add(sequence::extra(machine, signal))
}

/// Longest time from a demand on `signal` to the last reaction.
fn reaction_time(machine: &Machine, signal: usize) -> i64 {
    let functions = machine.functions.iter().filter(|function| function.demand == Some(signal));
    let path = |function: &Function| {
        let steps = function.path.iter().fold(0_i64, |sum, step| sum.saturating_add(worst_case(machine, *step)));
        // The report of the reaction travels back.
        let back = function
            .reaction
            .and_then(|s| machine.signals.get(s))
            .map_or(0, |signal| worst_case(machine, Step::Connection(signal.connection)).saturating_mul(2));
        steps.saturating_add(back)
    };
    functions.map(path).max().unwrap_or(0)
}

fn demandable(function: &Function) -> Option<usize> {
    function.reaction.and(function.demand)
}

/// Whether a demand on `signal` at `at` would meet the recovery from a fault.
fn meets_fault<'f>(
    machine: &Machine,
    signal: usize,
    at: i64,
    links: &[Link],
    faults: &'f [Fault],
) -> Option<&'f Fault> {
    let connections = involved(machine, signal);
    let end = at.saturating_add(course_time(machine, signal));
    faults.iter().find(|fault| {
        let everywhere = fault.plan.kind == FaultKind::TapLoss || FaultKind::CAUSES.contains(&fault.plan.kind);
        let recovery = links.get(fault.plan.connection).map_or(0, |link| super::causes::recovery(&fault.plan, link));
        let begin = fault.plan.at.as_nanos();
        (everywhere || connections.contains(&fault.plan.connection))
            && begin <= end
            && at <= begin.saturating_add(recovery)
    })
}

/// Nothing is demanded before.
fn earliest(plan: &Plan, links: &[Link]) -> i64 {
    let start_up = links.iter().map(|link| link.recovery).max().unwrap_or(0).saturating_add(500 * MILLISECOND);
    if plan.start_up { start_up } else { 100 * MILLISECOND }
}

fn all(machine: &Machine, plan: &Plan, links: &[Link], faults: &[Fault], dice: &mut Dice) -> Vec<Due> {
    let mut signals: Vec<usize> = Vec::new();
    for signal in machine.functions.iter().filter_map(demandable) {
        if !signals.contains(&signal) {
            signals.push(signal);
        }
    }
    let spacing = signals.iter().map(|signal| course_time(machine, *signal)).max().unwrap_or(0);
    let spacing = spacing.max(1_500 * MILLISECOND).saturating_add(deviation::longest(machine, &plan.deviations));
    let mut due = Vec::new();
    let mut next = earliest(plan, links);
    let mut turn = 0_usize;
    while !signals.is_empty() && next.saturating_add(spacing) <= plan.duration.as_nanos() {
        // Not in step with the cycles.
        let at = next.saturating_add(dice.between(0, 50 * MILLISECOND));
        if let Some(signal) = signals.get(turn.checked_rem(signals.len()).unwrap_or(0))
            && meets_fault(machine, *signal, at, links, faults).is_none()
        {
            due.push(Due { at, signal: *signal, listed: None });
            turn = turn.saturating_add(1);
        }
        next = next.saturating_add(spacing).saturating_add(50 * MILLISECOND);
    }
    due
}

fn described(machine: &Machine, function: usize) -> String {
    format!("the demand on `{}`", machine.functions.get(function).map_or("?", |function| &function.id))
}

fn listed(
    machine: &Machine,
    plan: &Plan,
    list: &[(usize, Span)],
    links: &[Link],
    faults: &[Fault],
) -> Result<Vec<Due>, SynthError> {
    let mut list = list.to_vec();
    list.sort_by_key(|(function, at)| (*at, *function));
    let mut due = Vec::new();
    let (mut free, mut free_because) = (earliest(plan, links), "the connections have started");
    for (index, at) in list {
        let Some(function) = machine.functions.get(index) else {
            return Err(SynthError::Unknown { what: "function", index, count: machine.functions.len() });
        };
        let Some(signal) = demandable(function) else {
            return Err(SynthError::NotDemandable { function: function.id.clone() });
        };
        let length = course_time(machine, signal).saturating_add(deviation::longest(machine, &plan.deviations));
        let nanos = at.as_nanos();
        let close = |why| Err(SynthError::TooClose { what: described(machine, index), at, why });
        if nanos < free {
            return close(format!("comes before {free_because}; the earliest time is {}", Span::from_nanos(free)));
        }
        if nanos.saturating_add(length) > plan.duration.as_nanos() {
            return close(format!("comes too late; until all is over takes {}", Span::from_nanos(length)));
        }
        if let Some(fault) = meets_fault(machine, signal, nanos, links, faults) {
            let kind = fault.plan.kind.name();
            return close(format!("meets the {kind} planned at {}; move one of them", fault.plan.at));
        }
        (free, free_because) = (nanos.saturating_add(length), "the demand before it is over");
        due.push(Due { at: nanos, signal, listed: Some(index) });
    }
    Ok(due)
}
