//! The table as it stands in `expected.txt`, read again.

use super::reasons;

/// A cell: in so many of so many runs as it should be; `None` where it can't be.
pub type Shown = Option<(u32, u32)>;

/// The whole file.
pub fn table() -> String {
    std::fs::read_to_string(reasons::path("expected.txt")).unwrap()
}

/// The section of a form: from its name to the next empty line, that included.
pub fn section(table: &str, name: &str) -> String {
    let title = format!("{name}\n");
    let begin = if table.starts_with(&title) { Some(0) } else { table.find(&format!("\n{title}")).map(|at| at + 1) };
    let Some(rest) = begin.map(|at| &table[at..]) else { return String::new() };
    let end = rest.find("\n\n").map_or(rest.len(), |at| at + 2);
    rest[..end].to_owned()
}

/// The rows of a section, each with its cells. A letter behind a cell leads to its reason.
pub fn rows(section: &str) -> Vec<(String, Vec<Shown>)> {
    let name = |line: &str| line.split("  ").next().unwrap_or_default().trim().to_owned();
    let cell = |word: &str| {
        if word == "-" {
            return Some(None);
        }
        let (right, runs) = word.split_once('/')?;
        Some(Some((right.parse().ok()?, runs.parse().ok()?)))
    };
    let of = |line: &str| -> (String, Vec<Shown>) {
        let name = name(line);
        let cells = line[name.len()..].split_whitespace().filter_map(cell).collect();
        (name, cells)
    };
    section.lines().map(of).filter(|(_, cells)| !cells.is_empty()).collect()
}

/// The rows in which `few`, a section of few runs, is not what `all` says of more: all right, none right, or not to be.
pub fn disagreements(all: &str, few: &str) -> Vec<String> {
    let (all, few) = (rows(all), rows(few));
    if !all.iter().map(|(name, _)| name).eq(few.iter().map(|(name, _)| name)) {
        return vec!["the rows are not the same".into()];
    }
    let agrees = |(of_all, of_few): (&Shown, &Shown)| match (of_all, of_few) {
        (None, None) => true,
        (Some((right, runs)), Some((found, tried))) => {
            let (all, none) = (right == runs, *right == 0);
            (!all || found == tried) && (!none || *found == 0)
        }
        _ => false,
    };
    let rows = all.iter().zip(&few);
    rows.filter(|((_, all), (_, few))| all.len() != few.len() || !all.iter().zip(few).all(agrees))
        .map(|((name, all), (_, few))| format!("{name}: {all:?} in the table, {few:?} now"))
        .collect()
}

#[test]
fn a_table_is_read_as_it_is_written() {
    let text = "A 1\n                 to_device\nloss, 3 in a row  6/6      2/6 a     -  b\nlost    6/6   0/6 a\n  a  why 1/2\n\n";
    let more = format!("{text}A 2\nloss   1/6 a\n\n");
    assert_eq!((section(&more, "A 1").as_str(), section(&more, "A 2").as_str()), (text, "A 2\nloss   1/6 a\n\n"));
    let read = rows(&text.replace("why 1/2", "why"));
    let expected =
        [("loss, 3 in a row", vec![Some((6, 6)), Some((2, 6)), None]), ("lost", vec![Some((6, 6)), Some((0, 6))])];
    assert_eq!(read, expected.map(|(name, cells)| (name.to_owned(), cells)));
    let of = |cells: &str| format!("loss  {cells}\n");
    for (all, few, agree) in
        [("6/6", "1/1", 0), ("6/6", "0/1", 1), ("0/6 a", "1/1", 1), ("2/6 a", "0/1 a", 0), ("-", "1/1", 1)]
    {
        assert_eq!(disagreements(&of(all), &of(few)).len(), agree, "{all} {few}");
    }
}
