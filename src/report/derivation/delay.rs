//! Worst case and watchdog of a step of a path: stated, or derived from cycles, terms or the published form of a profile.

use super::Step;
use super::step::{Rounding, sum};
use super::unit::{MILLISECOND as MS, RATIO};
use crate::latency::chain::{Rule, Stage};
use crate::latency::limit::Term;
use crate::latency::packet_limit::Timing;
use crate::latency::tolerance::Tolerance;
use crate::machine::{Connection, Cycles, Element, ResponseForm, Stages, WorstCaseFrom};
use crate::time::Span;

const CYCLES: &str = "each unsynchronised cycle once to read and once to publish (bound for logical execution time)";
const FSCP_2_1: &str =
    "limit of a connection by makers' manuals on FSCP 2/1, rounded up to what its time stamps count, 0.128 ms";

/// What time stamps of FSCP 2/1 count, in nanoseconds.
const TIME_STAMP: i64 = 128_000;

fn number(span: Span) -> String {
    MS.number(span.as_nanos())
}

fn given(symbol: String, meaning: impl Into<String>, span: Span, source: Option<&str>) -> Step {
    Step::given(symbol, meaning, (span.as_nanos(), MS)).by(source)
}

fn follows(symbol: &str, meaning: &str, formula: (String, String), span: Span, rounding: Rounding) -> Step {
    Step::follows(symbol, meaning, formula, (span.as_nanos(), MS), rounding)
}

/// `w`, or `w0` of a figure that the clock of its keeper makes longer.
fn nominal(letter: &str, id: &str, tolerance: Tolerance) -> String {
    if tolerance == Tolerance::NONE { format!("{letter}({id})") } else { format!("{letter}0({id})") }
}

fn clock(id: &str, tolerance: Tolerance, source: Option<&str>) -> Option<Step> {
    let step =
        || Step::given(format!("c({id})"), format!("tolerance of the clock of '{id}'"), (tolerance.as_nano(), RATIO));
    (tolerance != Tolerance::NONE).then(step).map(|step| step.by(source))
}

/// A time as long as a slow clock makes it; nothing without a tolerance.
fn late(letter: &str, id: &str, what: &str, tolerance: Tolerance, (nominal, late): (Span, Span)) -> Option<Step> {
    let factor = RATIO.number(tolerance.as_nano());
    let formula = (format!("{letter}0({id}) x (1 + c({id}))"), format!("{} x (1 + {factor})", number(nominal)));
    let step = || follows(&format!("{letter}({id})"), what, formula, late, Rounding::Up);
    let holds = tolerance.late(nominal) == Some(late);
    (tolerance != Tolerance::NONE)
        .then(step)
        .map(|step| step.by(Some("a clock that runs slow counts longer")).provided(holds))
}

/// The figures of an element.
pub(super) fn element(element: &Element) -> Vec<Step> {
    let Element { id, delay, worst_case, watchdog, .. } = element;
    let source = element.source.as_deref();
    let meaning = format!("worst case of '{id}'");
    let tolerance =
        delay.clock_tolerance.max(if watchdog.is_some() { delay.watchdog_tolerance } else { Tolerance::NONE });
    let mut steps: Vec<Step> = clock(id, tolerance, source).into_iter().collect();
    let symbol = nominal("w", id, delay.clock_tolerance);
    // Without a tolerance the figure itself, or a budget with another one would show the file's.
    let span = if delay.clock_tolerance == Tolerance::NONE { *worst_case } else { delay.nominal };
    let step = match (delay.worst_case_from, &delay.stages, delay.task) {
        (WorstCaseFrom::Stages(_), Some(stages), _) => list(&symbol, &meaning, stages, span, source),
        (WorstCaseFrom::Terms, ..) => terms(&symbol, &meaning, &delay.terms, span, source),
        (WorstCaseFrom::Task, _, Some(task)) => {
            let numbers = format!("({} + {}) x 1.01", number(task.period), number(task.watchdog));
            let formula = ("(period + watchdog of the task) x 1.01".to_owned(), numbers);
            let origin = "makers' manuals on FSCP 2/1; 1 % for the drift of the controller's clock";
            follows(&symbol, &meaning, formula, span, Rounding::Up).by(Some(of_file(origin, source)))
        }
        _ => given(symbol, meaning.as_str(), span, source),
    };
    steps.push(step);
    steps.extend(late("w", id, &meaning, delay.clock_tolerance, (span, *worst_case)));
    if let Some(watchdog) = *watchdog {
        let meaning = format!("time to the safe state if '{id}' itself fails");
        let late_by = delay.watchdog_tolerance;
        let nominal_watchdog = delay.nominal_watchdog.filter(|_| late_by != Tolerance::NONE).unwrap_or(watchdog);
        steps.push(given(nominal("W", id, late_by), meaning.as_str(), nominal_watchdog, source));
        steps.extend(late("W", id, &meaning, late_by, (nominal_watchdog, watchdog)));
    }
    steps
}

/// The figures of a connection.
pub(super) fn connection(connection: &Connection) -> Vec<Step> {
    let Connection { id, worst_case, response, .. } = connection;
    let source = connection.source.as_deref();
    let tolerance = response.clock_tolerance;
    let mut watchdog: Vec<Step> = clock(id, tolerance, source).into_iter().collect();
    let symbol = nominal("W", id, tolerance);
    let limit = response.form.as_ref().and_then(ResponseForm::limit).flatten().unwrap_or(connection.watchdog);
    watchdog.extend(limit_steps(connection, &symbol, limit));
    let meaning = format!("time until the safe state after a fault of '{id}'");
    watchdog.extend(late("W", id, &meaning, tolerance, (limit, connection.fault_time())));
    let (name, meaning) = (format!("w({id})"), format!("worst case of one transfer over '{id}'"));
    let transfer = match (response.worst_case_from, &response.stages, &response.form, connection.cycles) {
        (WorstCaseFrom::Cycles, _, _, Some(cycles)) => doubled(&name, &meaning, cycles, *worst_case, source),
        (WorstCaseFrom::Stages(_), Some(stages), ..) => list(&name, &meaning, stages, *worst_case, source),
        (WorstCaseFrom::BusWay, _, Some(ResponseForm::Fscp12_1 { bus_cycle, factor }), _) => {
            let formula = ("factor x bus cycle".to_owned(), format!("{factor} x {}", number(*bus_cycle)));
            let origin =
                "the form published for FSCP 12/1, with the factor of the manual at hand (2 and 3 are in print)";
            follows(&name, &meaning, formula, *worst_case, Rounding::Exact).by(Some(of_file(origin, source)))
        }
        (WorstCaseFrom::Limit, ..) => {
            let step = follows(&name, &meaning, (symbol, number(limit)), *worst_case, Rounding::Exact);
            let step = step.by(Some("a transfer takes at most as long as its limit")).provided(*worst_case == limit);
            watchdog.push(step);
            return watchdog;
        }
        _ => given(name, meaning.as_str(), *worst_case, source),
    };
    std::iter::once(transfer).chain(watchdog).collect()
}

/// The watchdog, or the limit of the published form in its place.
fn limit_steps(connection: &Connection, symbol: &str, limit: Span) -> Vec<Step> {
    let (id, source) = (&connection.id, connection.source.as_deref());
    let meaning = format!("time until the safe state after a fault of '{id}', by the form of its profile");
    match &connection.response.form {
        Some(ResponseForm::Fscp2_1 { output, timing }) => {
            packets(id, symbol, &meaning, (*output, *timing), (limit, source))
        }
        Some(ResponseForm::Fscp13_1 { terms: entered }) => vec![terms(symbol, &meaning, entered, limit, source)],
        Some(ResponseForm::Iec62541_15 { consumer_timeout, consumer_cycle }) => {
            let formula = (
                format!("2 x CT({id}) + CC({id})"),
                format!("2 x {} + {}", number(*consumer_timeout), number(*consumer_cycle)),
            );
            let origin = "IEC 62541-15, limit of a connection, as in clause 8.1 of its published text";
            vec![
                given(format!("CT({id})"), format!("consumer timeout of '{id}'"), *consumer_timeout, source),
                given(format!("CC({id})"), format!("cycle of the consumer of '{id}'"), *consumer_cycle, source),
                follows(symbol, &meaning, formula, limit, Rounding::Exact).by(Some(origin)),
            ]
        }
        Some(ResponseForm::Fscp3_1 | ResponseForm::Fscp12_1 { .. }) | None => {
            vec![given(symbol.to_owned(), format!("watchdog of '{id}'"), limit, source)]
        }
    }
}

/// The limit of FSCP 2/1.
fn packets(
    id: &str,
    symbol: &str,
    meaning: &str,
    (output, timing): (bool, Timing),
    (limit, source): (Span, Option<&str>),
) -> Vec<Step> {
    let Timing { packet_interval, timeout_multiplier, network_delay_percent } = timing;
    let [timeout, delay] = [i64::from(timeout_multiplier) * 100, i64::from(network_delay_percent)];
    let [timeout, delay] = [timeout, delay].map(|percent| percent * 10_000_000);
    let factor = |symbol: &str, what: &str, nano: i64| {
        Step::given(format!("{symbol}({id})"), format!("{what} of '{id}'"), (nano, RATIO)).by(source)
    };
    let mut steps = vec![
        given(format!("RPI({id})"), format!("requested packet interval of '{id}'"), packet_interval, source),
        factor("TM", "timeout multiplier", timeout),
        factor("NDM", "network delay multiplier, in intervals,", delay),
    ];
    let interval = number(packet_interval);
    let formula = (
        format!("RPI({id}) x (TM({id}) + NDM({id}))"),
        format!("{interval} x ({} + {})", RATIO.number(timeout), RATIO.number(delay)),
    );
    let rounding = Rounding::UpToMultiple(TIME_STAMP);
    if !output {
        steps.push(follows(symbol, meaning, formula, limit, rounding).by(Some(FSCP_2_1)));
        return steps;
    }
    // The budget has it, or there would be no limit.
    let whole = limit.checked_add(packet_interval).unwrap_or(limit);
    let name = format!("T({id})");
    steps.push(
        follows(&name, "limit of an input connection of these settings", formula, whole, rounding).by(Some(FSCP_2_1)),
    );
    let formula = (format!("{name} - RPI({id})"), format!("{} - {interval}", number(whole)));
    let origin = "an output connection takes one interval less (makers' manuals on FSCP 2/1)";
    steps.push(follows(symbol, meaning, formula, limit, Rounding::Exact).by(Some(origin)));
    steps
}

fn of_file(origin: &str, source: Option<&str>) -> String {
    format!("{origin}; figures: {}", source.unwrap_or("no source given"))
}

/// The bound for logical execution time of the three cycles.
fn doubled(symbol: &str, meaning: &str, cycles: Cycles, span: Span, source: Option<&str>) -> Step {
    let [bus, host, device] = [cycles.bus, cycles.host, cycles.device].map(number);
    let formula = ("2 x (bus + host + device cycle)".to_owned(), format!("2 x ({bus} + {host} + {device})"));
    let step = follows(symbol, meaning, formula, span, Rounding::Exact).by(Some(of_file(CYCLES, source)));
    step.provided(cycles.transfer() == Some(span))
}

/// Terms that the user enters.
fn terms(symbol: &str, meaning: &str, terms: &[Term], span: Span, source: Option<&str>) -> Step {
    let times = |term: &Term, what: &str| match term.count {
        1 => what.to_owned(),
        count => format!("{count} x {what}"),
    };
    let names = sum(terms.iter().map(|term| times(term, &term.name)));
    let numbers = sum(terms.iter().map(|term| times(term, &number(term.time))));
    let formula = (format!("sum of the terms entered: {names}"), numbers);
    follows(symbol, meaning, formula, span, Rounding::Exact).by(Some(source.unwrap_or("no source given")))
}

/// A list of cycles, by the rule that decided.
fn list(symbol: &str, meaning: &str, stages: &Stages, span: Span, source: Option<&str>) -> Step {
    let cycles = &stages.stages;
    let from_file = |origin: &str| of_file(origin, source);
    let (words, numbers, origin) = match stages.derived.rule {
        Rule::Enumeration => {
            let method =
                "every start over the hyperperiod of the declared offsets followed; below every bound over all phases";
            return Step::stated(symbol, meaning, (span.as_nanos(), MS), from_file(method));
        }
        Rule::LogicalExecutionTime => {
            let numbers = format!("2 x ({})", sum(cycles.iter().map(|stage| number(stage.period))));
            ("2 x the sum of the cycles", numbers, CYCLES)
        }
        Rule::Sum => {
            let both = cycles.iter().flat_map(|stage| [stage.period, stage.publication()]);
            (
                "sum of T + R over the cycles",
                sum(both.map(number)),
                "cycle and response of each stage (Davare et al. 2007)",
            )
        }
        Rule::Priorities => (
            "T of the first + R of the last + for each next one: max(R, T of the next) if the higher priority goes first, else R + T of \
             the next",
            by_priorities(cycles),
            "shared processors with priorities (Duerr et al. 2019)",
        ),
    };
    follows(symbol, meaning, (words.to_owned(), numbers), span, Rounding::Exact).by(Some(from_file(origin)))
}

fn by_priorities(cycles: &[Stage]) -> String {
    let ends = [cycles.first().map(|first| first.period), cycles.last().map(Stage::publication)];
    let between = cycles.iter().zip(cycles.iter().skip(1)).map(|(stage, next)| {
        let [response, period] = [stage.publication(), next.period].map(number);
        if stage.precedes(next) { format!("max({response}, {period})") } else { format!("{response} + {period}") }
    });
    sum(ends.into_iter().flatten().map(number).chain(between))
}
