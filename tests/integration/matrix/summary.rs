//! The table in short, as README shows it.

use std::path::Path;

use super::shown::{self, Shown};
use super::variants::VARIANTS;

/// Columns: title and the beginnings of the rows that belong to it.
const COLUMNS: [(&str, &[&str]); 11] = [
    ("corruption", &["corruption"]),
    ("repetition", &["unintended repetition"]),
    ("sequence", &["incorrect sequence"]),
    ("loss", &["loss"]),
    ("delay", &["unacceptable delay"]),
    ("insertion", &["insertion"]),
    ("masquerade", &["masquerade"]),
    ("addressing", &["addressing"]),
    ("parameter", &["parameter mismatch"]),
    ("toggle bit", &["toggle bit"]),
    ("power lost", &["power lost"]),
];

/// What the cells that can be come to. `cells`: rows of three phases, twice.
fn mark(cells: &[Shown]) -> &'static str {
    let of = |wanted: &dyn Fn(usize) -> bool| -> (usize, usize) {
        let cells = cells.iter().enumerate().filter(|(place, _)| wanted(*place));
        let runs: Vec<(u32, u32)> = cells.filter_map(|(_, cell)| *cell).collect();
        (runs.iter().filter(|(right, runs)| right == runs).count(), runs.len())
    };
    let (right, all) = of(&|_| true);
    let (later, all_later) = of(&|place| place % 3 != 0);
    match right {
        _ if all == 0 => "-",
        0 => "no",
        _ if right == all => "all",
        _ if later == all_later => "all *",
        _ => "part",
    }
}

fn summary(table: &str) -> String {
    let mut lines = vec!["| profile and carrier".to_owned(), "|---".to_owned()];
    for (title, _) in COLUMNS {
        lines[0] += &format!(" | {title}");
        lines[1] += "|---";
    }
    lines[0] += " | the tap's own |";
    lines[1] += "|---|";
    for variant in VARIANTS {
        let rows = shown::rows(&shown::section(table, variant.name));
        let tap = rows.iter().position(|(_, cells)| cells.len() == 2).unwrap_or(rows.len());
        let mut line = format!("| {}", variant.name);
        for (_, beginnings) in COLUMNS {
            let of = |name: &str| beginnings.iter().any(|beginning| name.starts_with(beginning));
            let cells: Vec<Shown> =
                rows[..tap].iter().filter(|(name, _)| of(name)).flat_map(|(_, cells)| cells.clone()).collect();
            line += &format!(" | {}", mark(&cells));
        }
        let is_unblamed = rows[tap..].iter().all(|(_, cells)| cells[0].is_some_and(|(right, runs)| right == runs));
        lines.push(format!("{line} | {} |", if is_unblamed { "all" } else { "part" }));
    }
    lines.join("\n") + "\n"
}

#[test]
fn readme_shows_the_table_in_short() {
    let readme = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
    let summary = summary(&shown::table());
    assert!(readme.contains(&summary), "the table in short is now:\n{summary}");
}

#[test]
fn a_mark_says_what_the_cells_come_to() {
    let (all, most, none) = (Some((6, 6)), Some((5, 6)), Some((0, 6)));
    let cases: [(&[Shown], &str); 6] = [
        (&[None, all, all], "all"),
        (&[none, all, all, most, all, all], "all *"),
        (&[all, all, most], "part"),
        (&[none, None, None], "no"),
        (&[None; 3], "-"),
        (&[], "-"),
    ];
    for (cells, expected) in cases {
        assert_eq!(mark(cells), expected);
    }
}
