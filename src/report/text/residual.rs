//! Residual error of the connections.

use super::super::columns::Align::{Left, Right};
use super::super::columns::table;
use super::super::number::millis;
use super::super::residual_model::{ResidualDirection, ResidualReport};
use super::super::scientific::Scientific;
use super::{line, paragraph};

pub(super) fn residual(out: &mut String, residual: &ResidualReport, width: usize) {
    let bit_error = residual.bit_error_probability;
    line(out, format_args!("\nUndetected errors of the CRCs, at a bit error probability of {bit_error}\n"));
    codes(out, &residual.directions, width);
    line(out, "\nResidual error rate by the CRCs alone\n");
    rates(out, &residual.directions, width);
}

fn codes(out: &mut String, directions: &[ResidualDirection], width: usize) {
    let head = [
        ("connection", Left),
        ("direction", Left),
        ("CRC", Left),
        ("polynomial", Left),
        ("bits", Right),
        ("HD", Right),
        ("P undetected", Right),
        ("proper", Left),
    ];
    let mut rows = Vec::new();
    let mut notes = Vec::new();
    for direction in directions {
        let (id, name) = (&direction.connection, direction.direction);
        for crc in &direction.crcs {
            let proper = match crc.properness {
                "proper" => "yes",
                "improper" => "NO",
                _ => "undecided",
            };
            rows.push(vec![
                id.clone(),
                name.to_owned(),
                crc.name.to_owned(),
                crc.polynomial.clone(),
                crc.bits.to_string(),
                crc.hamming_distance.map_or_else(|| "-".to_owned(), |distance| distance.to_string()),
                crc.undetected.to_string(),
                proper.to_owned(),
            ]);
            if let (Some(highest), Some(at)) = (crc.highest_undetected, crc.highest_at_bit_error_probability) {
                notes.push(format!(
                    "{id} {name}, {}: a smaller bit error probability may be worse; the highest P undetected, {highest} at {at}, \
                     counts below",
                    crc.name
                ));
            }
        }
    }
    out.push_str(&table(&head, &rows, width));
    line(out, "  bits: transmitted and covered, the CRC's own included. HD: least number of wrong");
    line(out, "  bits that can pass. proper: P undetected never falls while the bit error");
    line(out, "  probability grows to 0.5 (proven), so that it covers every smaller one.");
    for note in notes {
        paragraph(out, "  - ", &note, width);
    }
}

fn rates(out: &mut String, directions: &[ResidualDirection], width: usize) {
    let head = [
        ("connection", Left),
        ("direction", Left),
        ("P per telegram", Right),
        ("a telegram each ms", Right),
        ("rate per h", Right),
        ("limit per h", Right),
        ("verdict", Left),
    ];
    let or_dash = |figure: Option<Scientific>| figure.map_or_else(|| "-".to_owned(), |figure| figure.to_string());
    let rows: Vec<_> = directions
        .iter()
        .map(|direction| {
            vec![
                direction.connection.clone(),
                direction.direction.to_owned(),
                or_dash(direction.undetected_per_telegram),
                direction.interval_ns.map_or_else(|| "-".to_owned(), millis),
                or_dash(direction.rate_per_h),
                or_dash(direction.limit_per_h),
                if direction.verdict == "missed" { "MISSED" } else { direction.verdict }.to_owned(),
            ]
        })
        .collect();
    out.push_str(&table(&head, &rows, width));
}
