//! `stopspan synth MACHINE -o CAPTURE`

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;

use super::output::{WholeFile, keep_apart, keep_inputs, print};
use super::synth_faults::{Faults, signed, tap_faults};
use super::{Error, run};
use crate::machine::Machine;
use crate::quantity;
use crate::synth::{self, Demands, DeviationKind, Plan, PlannedDeviation, TapPlan};
use crate::time::Span;
use crate::verdict::Judgement;

#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Machine file (TOML).
    machine: PathBuf,
    /// Capture to write (pcapng).
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Ledger to write; by default beside the capture, with the extension .ledger.json.
    #[arg(long, value_name = "FILE")]
    ledger: Option<PathBuf>,
    /// Length of the run.
    #[arg(long, default_value = "30 s", value_parser = time)]
    duration: Span,
    /// Seed of all dice; the same seed gives the same octets.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Begin in the middle of the run, without the start-up of the connections.
    #[arg(long)]
    mid_run: bool,
    /// A demand on a function at a time: FUNCTION,TIME. By default every function is demanded in turn.
    #[arg(long, value_name = "FUNCTION,TIME")]
    demand: Vec<String>,
    /// No demands at all.
    #[arg(long, conflicts_with = "demand")]
    no_demands: bool,
    /// A fault: KIND,CONNECTION,DIRECTION,WHEN, for example loss,gate,to_host,5s or corruption:bits=3,gate,to_host,packet=900.
    ///
    /// WHEN is a time, packet=N (the first telegram from packet N on), telegram=N (the Nth telegram of the direction, also in the
    /// start-up) or rate=P (each telegram with probability P; '*' is any connection or direction, and KIND@rate=P is all).
    /// Kinds: the classes of IEC 61784-3, corruption:bits=N, corruption:burst=N, loss:telegrams=N, parameter-mismatch, stuck-data,
    /// early-toggle, missing-toggle, power-cycle:times=N, reset:reason=N, tap-loss; bus-gap, host-stall, device-stall, corruption-burst,
    /// watchdog-too-short, refused-parameter, capture-gap, restart, which end operation.
    #[arg(long, value_name = "KIND,CONNECTION,DIRECTION,WHEN")]
    fault: Vec<String>,
    /// Factor on every declared deceleration of the axes whose drives send values, for example 0.8; by default their stops are a
    /// little better than declared.
    #[arg(long, value_name = "FACTOR", value_parser = factor)]
    ramp_factor: Option<u32>,
    /// Something wrong that telegrams say although they are right themselves: KIND,FUNCTION or PAIR,TIME, for example
    /// missing-reaction,gate-opens-in-cycle,5s. The next demand from that time on takes it.
    #[arg(long, value_name = "KIND,NAME,TIME")]
    deviation: Vec<String>,
    /// A fault of the tap: KIND,TIME, for example lost:packets=2,5s.
    ///
    /// Kinds: lost:packets=N, duplicated:packets=N, reordered, reordered-unseen (with equal times), cut:octets=N;packets=N,
    /// clock-step:by=-2s.
    #[arg(long, value_name = "KIND,TIME")]
    tap: Vec<String>,
    /// Octets kept of each packet.
    #[arg(long, value_name = "OCTETS", value_parser = clap::value_parser!(u32).range(1..))]
    snap_length: Option<u32>,
    /// Capture what goes to the host by a second interface whose clock is ahead by this time.
    #[arg(long, value_name = "TIME", value_parser = signed, allow_hyphen_values = true)]
    second_interface: Option<Span>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Judgement, Error> {
    let inputs = std::slice::from_ref(&arguments.machine);
    let ledger_path = arguments.ledger.clone().unwrap_or_else(|| arguments.output.with_extension("ledger.json"));
    for path in [&arguments.output, &ledger_path] {
        keep_inputs(path, inputs)?;
    }
    keep_apart(&[("--output", Some(&arguments.output)), ("--ledger", Some(&ledger_path))])?;
    let machine = run::machine(&arguments.machine)?;
    let plan = plan(arguments, &machine)?;
    let mut capture = WholeFile::create(&arguments.output)?;
    let ledger = synth::synthesise(&machine, &plan, &mut capture).map_err(|error| match error {
        synth::SynthError::Io(source) => Error::Write { path: arguments.output.clone(), source },
        error => Error::Argument(error.to_string()),
    })?;
    let mut text = serde_json::to_string_pretty(&ledger).map_err(|error| Error::StandardOutput(error.into()))?;
    text.push('\n');
    let mut file = WholeFile::create(&ledger_path)?;
    file.write_all(text.as_bytes()).map_err(|source| file.error(source))?;
    capture.finish()?;
    file.finish()?;
    print(&told(&arguments.output, &ledger_path))?;
    Ok(Judgement::WithinLimits)
}

fn told(capture: &Path, ledger: &Path) -> String {
    format!("wrote {} and its ledger {}\n", capture.display(), ledger.display())
}

fn plan(arguments: &Arguments, machine: &Machine) -> Result<Plan, Error> {
    let demands = if arguments.no_demands || !arguments.demand.is_empty() {
        Demands::List(arguments.demand.iter().map(|text| demand(text, machine)).collect::<Result<_, _>>()?)
    } else {
        Demands::All
    };
    let Faults { planned, placed } = Faults::read(&arguments.fault, machine)?;
    let tap = TapPlan {
        faults: tap_faults(&arguments.tap)?,
        snap_length: arguments.snap_length.unwrap_or(0),
        second_interface: arguments.second_interface,
    };
    Ok(Plan {
        duration: arguments.duration,
        seed: arguments.seed,
        demands,
        faults: planned,
        placed,
        tap,
        deviations: arguments.deviation.iter().map(|text| deviation(text, machine)).collect::<Result<_, _>>()?,
        start_up: !arguments.mid_run,
        ramp_factor: arguments.ramp_factor,
        ..Plan::default()
    })
}

pub(super) fn time(text: &str) -> Result<Span, String> {
    match quantity::parse_time(text) {
        Ok(span) if span >= Span::ZERO => Ok(span),
        Ok(_) => Err("a time from the start of the run can't be negative".to_owned()),
        Err(error) => Err(format!("'{text}' {error}; expected a time such as \"5 s\"")),
    }
}

/// A factor from 0.05 to 5, in millionths.
fn factor(text: &str) -> Result<u32, String> {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let digits = |part: &str| part.len() <= 6 && part.chars().all(|c| c.is_ascii_digit());
    let millionths = (!whole.is_empty() && digits(whole) && digits(fraction))
        .then(|| format!("{whole}{fraction:0<6}").parse::<u32>().ok())
        .flatten();
    millionths
        .filter(|millionths| (50_000..=5_000_000).contains(millionths))
        .ok_or_else(|| format!("'{text}' is no factor from 0.05 to 5; expected a number such as 0.8"))
}

fn demand(text: &str, machine: &Machine) -> Result<(usize, Span), Error> {
    let in_demand = |problem: String| Error::Argument(format!("--demand {text}: {problem}"));
    let (function, at) = text.rsplit_once(',').ok_or_else(|| in_demand("expected FUNCTION,TIME".to_owned()))?;
    let names: Vec<_> = machine.functions.iter().map(|function| function.id.as_str()).collect();
    let function = find("function", function, &names).map_err(in_demand)?;
    Ok((function, time(at).map_err(in_demand)?))
}

fn deviation(text: &str, machine: &Machine) -> Result<PlannedDeviation, Error> {
    let wrong = |problem: String| Error::Argument(format!("--deviation {text}: {problem}"));
    let parts: Vec<_> = text.split(',').map(str::trim).collect();
    let [kind, name, at] = parts[..] else {
        return Err(wrong("expected KIND,NAME,TIME".to_owned()));
    };
    let kinds = DeviationKind::ALL.map(|kind| kind.name().replace(' ', "-"));
    let kinds = kinds.each_ref().map(String::as_str);
    let kind = find("kind of deviation", &kind.replace(' ', "-").to_lowercase(), &kinds).map_err(wrong)?;
    let kind = DeviationKind::ALL[kind];
    let index = if kind.is_of_pair() {
        find("pair", name, &machine.pairs.iter().map(|pair| pair.id.as_str()).collect::<Vec<_>>())
    } else {
        find("function", name, &machine.functions.iter().map(|function| function.id.as_str()).collect::<Vec<_>>())
    };
    Ok(PlannedDeviation { kind, index: index.map_err(wrong)?, at: time(at).map_err(wrong)? })
}

/// Index of `name` among `names`, or a message with the nearest known name.
pub(super) fn find(what: &str, name: &str, names: &[&str]) -> Result<usize, String> {
    names.iter().position(|known| *known == name).ok_or_else(|| {
        let nearest =
            names.iter().max_by(|a, b| strsim::jaro_winkler(a, name).total_cmp(&strsim::jaro_winkler(b, name)));
        match nearest {
            Some(nearest) => format!("no {what} '{name}'; did you mean '{nearest}'? Known: {}", names.join(", ")),
            None => format!("no {what} '{name}'; the machine file has none"),
        }
    })
}
