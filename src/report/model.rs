//! The report as data: what the JSON holds, with the unit in each key. Times are integer nanoseconds, absolute times count
//! from 1970-01-01 UTC by the clock of the capture; lengths are millimetres and angles degrees with three digits, rounded to
//! the safe side.

use schemars::JsonSchema;
use serde::Serialize;

use super::assumption_model::AssumptionReport;
use super::comparison_model::ComparisonReport;
use super::connection_model::ConnectionReport;
use super::derivation::Derivation;
use super::inverse_model::{AllowedReport, SensitivityReport};
use super::projection_model::ProjectionReport;
use super::reaction_model::{OutsideReport, ToleranceReport, UncertaintyReport};
use super::residual_model::ResidualReport;
use super::separation_model::SeparationReport;
use super::sequence_model::{FunctionFindingReport, PairReport};
use super::simulation_model::SimulationReport;
use super::standstill_model::StandstillReport;
use super::stop_model::{OneStopReport, SeriesReport, SpeedReport, ViolationReport};
use super::timing_model::CycleReport;
use super::watchdogs_model::WatchdogsReport;

/// A whole report. Parts that the command does not produce are absent.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct Report {
    /// Name and version of the format: `stopspan.verify/1`, `stopspan.budget/1`, `stopspan.analyze/1`,
    /// `stopspan.residual/1`, `stopspan.watchdogs/1`, `stopspan.compare/1`, `stopspan.combine/1`.
    pub schema: &'static str,
    /// The program that made the report.
    pub program: Program,
    /// The machine file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub machine: Option<MachineHead>,
    /// The capture.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capture: Option<CaptureReport>,
    /// Safety functions, in the order of the machine file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub functions: Option<Vec<FunctionReport>>,
    /// Two-channel signals, in the order of the machine file; absent if it has none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pairs: Option<Vec<PairReport>>,
    /// Connections, in the order of the machine file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub connections: Option<Vec<ConnectionReport>>,
    /// Residual error of the connections.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub residual: Option<ResidualReport>,
    /// Simulation of the functions against their bounds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub simulation: Option<SimulationReport>,
    /// The watchdogs of the connections.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub watchdogs: Option<WatchdogsReport>,
    /// Trips without a fault, projected.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub projection: Option<ProjectionReport>,
    /// What each figure matters to one function.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sensitivity: Option<SensitivityReport>,
    /// The runs that are put together.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub runs: Option<Vec<OneRunReport>>,
    /// Two runs against each other.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub comparison: Option<ComparisonReport>,
    /// What the capture, not the machine, lost.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tap_faults: Option<Vec<TapFaultReport>>,
    /// What the figures rest on and the program did not verify.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub assumptions: Option<Vec<AssumptionReport>>,
    /// The files that the report rests on, if a record was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inputs: Option<Vec<InputReport>>,
    /// Why not everything was examined.
    pub not_examined: Vec<String>,
    /// `within limits`, `findings` or `not examined`; of a capture without a machine file, that it was read whole.
    pub verdict: &'static str,
    /// What this report does not say.
    pub cautions: &'static [&'static str],
}

/// One of several runs that are put together. Nothing is measured across the time between two of them.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct OneRunReport {
    /// Its first file, an index into `capture.files`.
    pub first_file: usize,
    /// How many files it has.
    pub files: usize,
    /// Packets.
    pub packets: u64,
    /// Time of its first packet.
    pub first_ns: Option<i64>,
    /// Latest time of a packet.
    pub last_ns: Option<i64>,
    /// From the one to the other.
    pub span_ns: Option<i64>,
    /// Findings in it.
    pub findings: usize,
    /// Trips in it.
    pub trips: usize,
    /// What it says alone.
    #[schemars(extend("enum" = ["within limits", "findings", "not examined"]))]
    pub verdict: &'static str,
}

/// The program.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct Program {
    /// Its name.
    pub name: &'static str,
    /// Its version.
    pub version: &'static str,
    /// The commit that it was built from.
    pub commit: &'static str,
}

/// Which machine.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct MachineHead {
    /// Path of the machine file as given.
    pub file: String,
    /// Name of the machine.
    pub name: String,
    /// Its revision.
    pub revision: String,
}

/// A file that was read.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct InputReport {
    /// Path as given.
    pub name: String,
    /// `machine file`, `capture`, or `state` of the parts of the run before.
    #[schemars(extend("enum" = ["machine file", "capture", "state"]))]
    pub role: &'static str,
    /// Octets of the file.
    pub octets: u64,
    /// SHA-256 of the file, hexadecimal; null for what is no file.
    pub sha256: Option<String>,
}

/// The capture files and what they hold.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct CaptureReport {
    /// Files in the order in which they were read.
    pub files: Vec<FileReport>,
    /// Packets in all.
    pub packets: u64,
    /// Time of the first packet.
    pub first_ns: Option<i64>,
    /// Latest time of a packet.
    pub last_ns: Option<i64>,
    /// From the one to the other; of several runs, the sum of theirs.
    pub span_ns: Option<i64>,
    /// Packets by carrier.
    pub carriers: Vec<CarrierReport>,
    /// Packets that were not looked into.
    pub passed_over: Vec<CarrierReport>,
    /// How regularly the frames of the carriers came.
    pub cycles: Vec<CycleReport>,
}

/// One capture file.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct FileReport {
    /// Path as given.
    pub name: String,
    /// `pcap` or `pcapng`.
    #[schemars(extend("enum" = ["pcap", "pcapng"]))]
    pub format: &'static str,
    /// `little`, `big`, `mixed`, or absent if the file ends too early.
    pub byte_order: Option<&'static str>,
    /// Whether the file is compressed.
    pub compressed: bool,
    /// Sections.
    pub sections: u64,
    /// Packets.
    pub packets: u64,
    /// Captured octets.
    pub octets: u64,
    /// Interfaces.
    pub interfaces: Vec<InterfaceReport>,
    /// Packets cut by the snap length.
    pub cut_packets: u64,
    /// Packets without a time stamp.
    pub without_time: u64,
    /// Where and why the file ends before its end.
    pub cut: Option<String>,
}

/// One interface of a capture file.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct InterfaceReport {
    /// Section, from 0.
    pub section: u64,
    /// Number within the section, from 0.
    pub id: u32,
    /// Name, if given.
    pub name: Option<String>,
    /// LINKTYPE number.
    pub link_type: u32,
    /// Octets kept of each packet; 0 is no limit.
    pub snap_length: u32,
    /// Clock resolution, rounded up to a nanosecond.
    pub resolution_ns: u32,
    /// Packets.
    pub packets: u64,
}

/// Packets of one kind.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct CarrierReport {
    /// What they are.
    pub kind: String,
    /// How many.
    pub packets: u64,
}

/// One safety function.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct FunctionReport {
    /// Name in the machine file.
    pub id: String,
    /// Words for people.
    pub title: Option<String>,
    /// Where the limits come from.
    pub source: Option<String>,
    /// The path from sensor to actuator.
    pub elements: Vec<ElementReport>,
    /// Faults that the deciding response time assumes: `none`, `one`, `staged`, `all`.
    #[schemars(extend("enum" = ["none", "one", "staged", "all"]))]
    pub faults: &'static str,
    /// Why there are no figures.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_budget: Option<String>,
    /// Response time without fault. *Bounded*, as all figures outside of `measured`.
    pub no_fault_ns: Option<i64>,
    /// Response time with the worst single fault.
    pub one_fault_ns: Option<i64>,
    /// Step of the path whose watchdog makes the one-fault figure, or the shared medium, as `medium NAME`.
    pub one_fault_at: Option<String>,
    /// Response time with a second fault while the first one is in handling (a definition of this project).
    pub staged_faults_ns: Option<i64>,
    /// What makes that figure, as in `one_fault_at`: two, one if a second fault adds nothing.
    pub staged_faults_at: Vec<String>,
    /// Response time with every supervised span at its watchdog.
    pub all_faults_ns: Option<i64>,
    /// Response time that decides.
    pub response_ns: Option<i64>,
    /// The violated limit that is the demand; null if the demand comes along the path.
    pub violation: Option<ViolationReport>,
    /// What else must hold, as the machine file says it.
    pub conditions: Vec<String>,
    /// The stop.
    pub stop: Option<StopReport>,
    /// Overall response time T, demand to the end of the stop.
    pub overall_ns: Option<i64>,
    /// Separation distance needed.
    pub separation: Option<SeparationReport>,
    /// The limits.
    pub required: Figures,
    /// What is left to each limit; negative if it is missed.
    pub margin: Figures,
    /// Bound of the part of the reaction that shows on the wire; null without signals, or if nothing bounds it.
    pub on_the_wire_ns: Option<i64>,
    /// Steps of the path that the wire does not show; `response_ns` is the figure of the whole path.
    pub outside_the_wire: Vec<OutsideReport>,
    /// Connection over which that part ends with an answer of the device, one transfer more than the path has; absent if the
    /// reaction is a command on the path.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub answer_over: Option<String>,
    /// Cycles that make the mean of a run differ from one power-up to the next; absent without a
    /// demand on the wire.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub free_cycles: Option<FreeCyclesReport>,
    /// Whether the machine file declares a demand and a reaction signal; without them nothing is ever measured.
    pub has_signals: bool,
    /// What was measured; null if no demand of this function shows in the capture.
    pub measured: Option<MeasuredReport>,
    /// Stops measured by the values of the drive; absent if none is declared or there is no capture.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub standstill: Option<StandstillReport>,
    /// What was wrong although the telegrams were right; absent without a capture.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub findings: Option<Vec<FunctionFindingReport>>,
    /// `met`, `missed`, `refuted`, `unanswered`, `out of order`, `reaction without demand` or `no budget`.
    #[schemars(extend("enum" = [
        "met",
        "missed",
        "refuted",
        "unanswered",
        "out of order",
        "reaction without demand",
        "no budget"
    ]))]
    pub verdict: &'static str,
    /// How the figures come about, if that was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub derivation: Option<Vec<Derivation>>,
    /// How far single figures may go while every limit holds; in the report of `budget`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub allows: Option<Vec<AllowedReport>>,
}

/// One step of a path.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct ElementReport {
    /// Name in the machine file.
    pub id: String,
    /// `element`, `connection` or `monitor`.
    #[schemars(extend("enum" = ["element", "connection", "monitor"]))]
    pub kind: &'static str,
    /// Worst-case delay time.
    pub worst_case_ns: i64,
    /// Time to the safe state if it fails: by its watchdog or its published form, clock tolerance in it.
    pub watchdog_ns: i64,
    /// Direction of the transfer, where the path names one: `to_host` or `to_device`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("enum" = ["to_device", "to_host"]))]
    pub direction: Option<&'static str>,
    /// Whether the worst case is stated, or what it is derived from and by which result.
    pub worst_case_from: &'static str,
    /// Designator of the published form that bounds the response of a connection, if the file chooses one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub response_form: Option<&'static str>,
    /// Its formula.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub response_formula: Option<&'static str>,
    /// Tolerance of the clock that keeps its times, in percent; it is in the times already.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clock_tolerance_percent: Option<f64>,
    /// The terms of a worst case, or of the time to the safe state of a connection, that the file enters one by one.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub terms: Vec<TermReport>,
    /// Greatest age of the data when it is published, of a list of cycles; held until newer data comes, the worst case.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data_age_ns: Option<i64>,
    /// Where the figures come from.
    pub source: Option<String>,
}

/// One term of a sum.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct TermReport {
    /// What it is.
    pub name: String,
    /// How often it counts.
    pub count: u32,
    /// How long it takes.
    pub time_ns: i64,
}

/// The stop of an axis.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct StopReport {
    /// Axis.
    pub axis: String,
    /// Stopping function of IEC 61800-5-2.
    pub function: &'static str,
    /// Stop category of IEC 60204-1.
    pub category: u8,
    /// `the computed stop`, `an instrument's series`, or both.
    pub rests_on: &'static str,
    /// `down` or `up` on a vertical axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schemars(extend("enum" = ["down", "up"]))]
    pub moves: Option<&'static str>,
    /// Time of the stop after the reaction.
    pub time_ns: i64,
    /// Travel from the demand to the end of the stop, on a linear axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub travel_mm: Option<f64>,
    /// The same on a rotary axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub travel_deg: Option<f64>,
    /// Speed at the demand.
    pub start_speed: SpeedReport,
    /// Travel of a rotary axis as an arc at its radius.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arc_mm: Option<f64>,
    /// Highest speed on the way; null if the stop was only measured.
    pub highest_speed: Option<SpeedReport>,
    /// The phases of the computed stop with its ramp kept, the reaction first.
    pub phases: Vec<PhaseReport>,
    /// The stop if the drive leaves its ramp at the worst moment; counted in time and travel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ramp_violated: Option<OneStopReport>,
    /// Stops measured with an instrument.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured: Option<SeriesReport>,
    /// What the figures take for granted.
    pub notes: Vec<String>,
    /// Where the figures of the axis come from.
    pub source: Option<String>,
}

/// One phase of a stop.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct PhaseReport {
    /// What happens.
    pub phase: &'static str,
    /// How long.
    pub time_ns: i64,
    /// How far, on a linear axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub travel_mm: Option<f64>,
    /// How far, on a rotary axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub travel_deg: Option<f64>,
    /// Speed at its end.
    pub end_speed: SpeedReport,
    /// Whether the speed follows a ramp of limited jerk.
    pub jerk_limited: bool,
}

/// Limits, or what is left to them, each if it is set.
#[derive(Clone, Debug, Default, JsonSchema, Serialize)]
pub struct Figures {
    /// Safety function response time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub response_time_ns: Option<i64>,
    /// Overall response time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_ns: Option<i64>,
    /// Travel of a linear axis, or of a rotary one as an arc.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub travel_mm: Option<f64>,
    /// Travel of a rotary axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub travel_deg: Option<f64>,
    /// Highest speed of a linear axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub speed_mm_per_s: Option<f64>,
    /// Highest speed of a rotary axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub speed_deg_per_s: Option<f64>,
    /// Separation distance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub separation_mm: Option<f64>,
}

/// Cycles whose phase to each other every power-up sets anew where they are not synchronised. All measurements of one run share it.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct FreeCyclesReport {
    /// Between the telegram with the demand and that with the reaction.
    pub reaction_ns: Vec<i64>,
    /// Between the telegram with the demand and the end of the path, where the axis is stopped.
    pub stop_ns: Vec<i64>,
}

/// Reactions of a function in the capture.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct MeasuredReport {
    /// Reactions measured.
    pub n: u64,
    /// Shortest.
    pub min_ns: Option<i64>,
    /// Arithmetic mean.
    pub mean_ns: Option<i64>,
    /// Standard deviation of the sample.
    pub s_ns: Option<i64>,
    /// Longest.
    pub max_ns: Option<i64>,
    /// Demands that were not answered: before the next demand, or within the bound at the end of the capture.
    pub unanswered: u64,
    /// Demands still without a reaction when the capture ended, but not longer than the bound.
    pub pending: u64,
    /// Demands during which one of the connections fell out of operation.
    pub interrupted: u64,
    /// Demands while the reaction was active already.
    pub already_reacted: u64,
    /// Demands during which the capture lost packets or its clock stepped back: not measured.
    pub disturbed: u64,
    /// Reactions without a demand of this function or of another one with the same reaction.
    pub without_demand: u64,
    /// By how much the true times may differ.
    pub uncertainty: UncertaintyReport,
    /// The longest one, with its uncertainty, against the bound of what the wire shows: `refutes`, `within the uncertainty` or
    /// `supports`; null without a reaction or a bound.
    #[schemars(extend("enum" = ["refutes", "within the uncertainty", "supports", null]))]
    pub comparison: Option<&'static str>,
    /// What they say of all reactions; null if there are none.
    pub tolerance: Option<ToleranceReport>,
    /// Each reaction (the first 10 000).
    pub occurrences: Vec<OccurrenceReport>,
}

/// One reaction.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct OccurrenceReport {
    /// Packet with the demand.
    pub demand_packet: u64,
    /// Its file, an index into `capture.files`.
    pub demand_file: usize,
    /// Its time.
    pub demand_at_ns: i64,
    /// Packet with the reaction.
    pub reaction_packet: u64,
    /// Its file.
    pub reaction_file: usize,
    /// Its time.
    pub reaction_at_ns: i64,
    /// Time between them.
    pub reaction_ns: i64,
}

/// Something that the capture lost.
#[derive(Clone, Debug, JsonSchema, Serialize)]
pub struct TapFaultReport {
    /// What.
    pub fault: &'static str,
    /// How often.
    pub count: u64,
    /// File of the first, an index into `capture.files`.
    pub file: usize,
    /// Packet of the first.
    pub packet: u64,
    /// Time of the first.
    pub at_ns: i64,
}
