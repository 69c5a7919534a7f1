//! The commands in the README run, and print what the README says they print.

use std::path::Path;

use crate::support::{run, scenario_file, stopspan};

/// Splits at blanks outside of double quotes.
fn words(command: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut quoted = false;
    for c in command.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(String::new()),
            c => words.last_mut().unwrap().push(c),
        }
    }
    words
}

/// The `console` blocks with a single command of this program that prints something: command, lines.
fn blocks(text: &str) -> Vec<(String, Vec<String>)> {
    text.split("```console\n")
        .skip(1)
        .filter_map(|rest| {
            let block = rest.split("```").next()?;
            // A block within a list is indented, and the line of its end as well.
            let indent = block.len() - block.trim_start_matches(' ').len();
            let mut lines = block.lines().map(|line| line.get(indent..).unwrap_or_default());
            let command = lines.next()?.strip_prefix("$ stopspan ")?.to_owned();
            let mut lines: Vec<_> = lines.map(str::to_owned).collect();
            if indent > 0 {
                lines.pop();
            }
            (!lines.is_empty()).then_some((command, lines))
        })
        .collect()
}

#[test]
fn the_readme_shows_what_the_program_prints() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(root.join("README.md")).unwrap();
    let blocks = blocks(&text);
    assert!(blocks.len() >= 2, "the README shows the clean and the faulty run");
    for (command, shown) in blocks {
        let ran = run(words(&command));
        let mut printed = ran.out.lines();
        // A line of dots stands for lines left out; every other line has to come in this order.
        let mut skipping = false;
        for line in shown {
            if line == "..." {
                skipping = true;
            } else if skipping {
                assert!(printed.any(|printed| printed == line), "stopspan {command}: no line '{line}'");
                skipping = false;
            } else {
                assert_eq!(printed.next(), Some(line.as_str()), "stopspan {command}");
            }
        }
    }
}

/// The commands beside the shipped captures make them, and their ledgers, anew to the octet.
#[test]
fn the_shipped_captures_are_what_their_commands_make() {
    let shipped = scenario_file();
    let text = std::fs::read_to_string(shipped.with_file_name("README.md")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let machine = folder.path().join("machine.toml");
    std::fs::copy(&shipped, &machine).unwrap();
    let block = text.split("```console\n").nth(1).unwrap().split("```").next().unwrap();
    let block = block.replace("\\\n", "");
    for command in block.split("$ stopspan ").skip(1) {
        let command = command.split_whitespace().collect::<Vec<_>>().join(" ");
        let made = stopspan(words(&command)).current_dir(folder.path()).output().unwrap();
        assert!(made.status.success(), "{command}: {}", String::from_utf8_lossy(&made.stderr));
    }
    for name in ["clean.pcapng", "clean.ledger.json", "faulty.pcapng", "faulty.ledger.json"] {
        let [made, kept] =
            [machine.with_file_name(name), shipped.with_file_name(name)].map(|path| std::fs::read(path).unwrap());
        assert!(made == kept, "{name} is not what the commands in captures/reel-wrapper/README.md make");
    }
}
