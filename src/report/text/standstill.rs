//! Measured stops: from the demand to standstill, by the values of the drives.

use super::super::columns::Align::{Left, Right};
use super::super::columns::{printable, table};
use super::super::model::FunctionReport;
use super::super::number::{counted, grouped, millis_short, since};
use super::super::standstill_model::{DecelerationReport, StandstillOccurrence, StandstillReport};
use super::super::stop_model::TravelReport;
use super::stops::travel_text;
use super::{SHOWN, line, paragraph, place};
use crate::time::Instant;

pub(super) fn standstills(
    out: &mut String,
    functions: &[FunctionReport],
    width: usize,
    detailed: bool,
    start: Instant,
) {
    if functions.iter().all(|function| function.standstill.is_none()) {
        return;
    }
    line(out, "\nDemand to standstill, measured by the values of the drives, as seen\n");
    let head = [
        ("function", Left),
        ("n", Right),
        ("longest ms", Right),
        ("bound ms", Right),
        ("farthest", Right),
        ("bound", Right),
        ("verdict", Left),
    ];
    let rows: Vec<_> = functions.iter().filter_map(|function| row(function, function.standstill.as_ref()?)).collect();
    out.push_str(&table(&head, &rows, width));
    for function in functions {
        if let Some(text) = function.standstill.as_ref().and_then(flattest) {
            paragraph(out, "  - ", &format!("{}: {text}", function.id), width);
        }
    }
    let unaged = |told: &StandstillReport| told.n > 0 && told.occurrences.iter().all(|one| one.age_ns == 0);
    note(
        out,
        functions,
        unaged,
        "no reporting delay is declared, so the age of these values is not in the uncertainty",
        width,
    );
    if detailed {
        for function in functions {
            let occurrences = function.standstill.iter().flat_map(|standstill| &standstill.occurrences);
            occurrences.take(SHOWN).for_each(|one| detail(out, &function.id, one, start, width));
        }
    }
}

/// Says something of all axes whose stops are so.
fn note(
    out: &mut String,
    functions: &[FunctionReport],
    is_so: impl Fn(&StandstillReport) -> bool,
    text: &str,
    width: usize,
) {
    let told = functions.iter().filter_map(|function| function.standstill.as_ref()).filter(|told| is_so(told));
    let mut axes: Vec<&str> = told.map(|told| told.axis.as_str()).collect();
    axes.sort_unstable();
    axes.dedup();
    if !axes.is_empty() {
        paragraph(out, "  - ", &format!("{}: {text}", axes.join(", ")), width);
    }
}

fn row(function: &FunctionReport, told: &StandstillReport) -> Option<Vec<String>> {
    let time = |nanos: Option<i64>| nanos.map_or_else(|| "-".to_owned(), millis_short);
    let way = |travel: Option<TravelReport>| travel.map_or_else(|| "-".to_owned(), travel_of);
    Some(vec![
        function.id.clone(),
        told.n.to_string(),
        time(told.max_ns),
        time(told.bound_ns),
        way(told.max_travel),
        way(told.bound_travel),
        verdict(told),
    ])
}

pub(in crate::report) fn travel_of(travel: TravelReport) -> String {
    travel_text(travel.travel_mm, travel.travel_deg)
}

/// What the stops of a function come to, in words.
pub(in crate::report) fn verdict(told: &StandstillReport) -> String {
    type Of = fn(&StandstillOccurrence) -> &'static str;
    let any = |of: Of, word| told.occurrences.iter().any(|one| of(one) == word);
    let flat = |one: &StandstillOccurrence| one.ramp.as_ref().map_or("", |ramp| ramp.against);
    let beyond = |of: Of| any(of, "beyond");
    let near = |of: Of| any(of, "not told apart");
    let broken: Vec<&str> = [
        (told.overdue, "no standstill within its bound"),
        (beyond(|one| one.time_against), "longer than its bound"),
        (beyond(|one| one.travel_against), "farther than its bound"),
        (beyond(flat), "ramp flatter than declared"),
        (told.moved_again > 0, "moved again during its demand"),
    ]
    .into_iter()
    .filter_map(|(is, text)| is.then_some(text))
    .collect();
    let word = match () {
        () if told.doubted => "not examined: see the values".to_owned(),
        () if !broken.is_empty() => format!("REFUTED: {}", broken.join(", ")),
        () if told.n == 0 => "not measured".to_owned(),
        () if near(|one| one.time_against) || near(|one| one.travel_against) => {
            "not told apart from its bound".to_owned()
        }
        () if told.bound_ns.is_none() => "no bound".to_owned(),
        () if told.against == "not compared" => "not compared".to_owned(),
        () if near(flat) => "within; ramp not told apart".to_owned(),
        () => "within".to_owned(),
    };
    let shared = told.occurrences.iter().fold(0, |n: u64, one| n.saturating_add(u64::from(one.shared)));
    let is_free = |one: &StandstillOccurrence| [one.time_against, one.travel_against].contains(&"not compared");
    let free = told.occurrences.iter().filter(|one| told.bound_ns.is_some() && !one.shared && is_free(one)).count();
    let others = [
        (told.already_standing, "standing still already"),
        (told.interrupted, "interrupted by a trip"),
        (told.disturbed, "disturbed by the capture"),
        (told.renewed, "withdrawn and demanded anew before a standstill"),
        (u64::try_from(free).unwrap_or(u64::MAX), "not compared: the demand was withdrawn in time"),
        (shared, "not compared: another stop of the axis was demanded too"),
        (if told.overdue { 0 } else { told.waiting }, "pending at the end"),
    ];
    let others = others.iter().filter(|(n, _)| *n > 0).map(|(n, why)| format!("{} {why}", grouped(*n)));
    std::iter::once(word).chain(others).collect::<Vec<_>>().join("; ")
}

/// The flattest ramp, and against what.
pub(in crate::report) fn flattest(told: &StandstillReport) -> Option<String> {
    if told.doubted {
        return None;
    }
    let ramps = || {
        let all = told.occurrences.iter().filter_map(|one| one.ramp.as_ref());
        all.filter(|ramp| ramp.declared.is_some() && ramp.against != "not compared")
    };
    let share = |ramp: &&super::super::standstill_model::RampReport| {
        let declared = ramp.declared.as_ref().map_or(1.0, deceleration);
        deceleration(&ramp.deceleration) / declared
    };
    let flat = ramps().min_by(|a, b| share(a).total_cmp(&share(b)))?;
    let unit = flat.from.unit();
    let count = u64::try_from(ramps().count()).unwrap_or(u64::MAX);
    Some(format!(
        "flattest of {}: {} {unit}^2 on the mean from {} to {} {unit}; declared {} {unit}^2 over these speeds, {}",
        counted(count, "ramp"),
        deceleration(&flat.deceleration),
        flat.from.figure(),
        flat.to.figure(),
        flat.declared.as_ref().map_or(0.0, deceleration),
        match flat.against {
            "beyond" => "FLATTER",
            "within" => "at least as steep",
            _ => "not told apart within the uncertainty",
        }
    ))
}

fn deceleration(told: &DecelerationReport) -> f64 {
    told.deceleration_mm_per_s2.or(told.deceleration_deg_per_s2).unwrap_or_default()
}

fn detail(out: &mut String, id: &str, one: &StandstillOccurrence, start: Instant, width: usize) {
    let (id, at) = (printable(id), since(Instant::from_nanos(one.demand_at_ns), start));
    let (demand, still) =
        (place(one.demand_file, one.demand_packet), place(one.standstill_file, one.standstill_packet));
    let ms = |nanos: i64| millis_short(nanos);
    let told = format!(
        "{id}: demand packet {demand} at {at}, standstill packet {still} after {} ms ({} to {})",
        ms(one.time.seen_ns),
        ms(one.time.least_ns),
        ms(one.time.most_ns)
    );
    paragraph(out, "  ", &told, width);
    let travel = &one.travel;
    let told = format!(
        "travel {} ({} to {}), at {} {unit}, highest {} {unit}",
        travel_of(travel.seen),
        travel_of(travel.least),
        travel_of(travel.most),
        one.start_speed.figure(),
        one.peak_speed.figure(),
        unit = one.start_speed.unit()
    );
    paragraph(out, "    ", &told, width);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stop_that_is_not_compared_is_not_told_as_within() {
        let mut told = StandstillReport {
            axis: "lift".to_owned(),
            travel_by: "speed",
            n: 1,
            mean_ns: Some(1),
            s_ns: None,
            max_ns: Some(1),
            mean_travel: None,
            s_travel: None,
            max_travel: None,
            bound_ns: Some(1),
            bound_travel: None,
            against: "not compared",
            overdue: false,
            doubted: false,
            interrupted: 0,
            already_standing: 0,
            disturbed: 0,
            renewed: 2,
            moved_again: 0,
            waiting: 0,
            occurrences: Vec::new(),
        };
        assert_eq!(verdict(&told), "not compared; 2 withdrawn and demanded anew before a standstill");
        told.against = "within";
        told.renewed = 0;
        assert_eq!(verdict(&told), "within");
        told.moved_again = 1;
        assert_eq!(verdict(&told), "REFUTED: moved again during its demand");
    }
}
