//! Why a cell of the matrix can't be, or why its fault can't be told in its class: the lines of `reasons.txt`.

use std::path::PathBuf;

/// A file of this folder.
pub fn path(name: &str) -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), "tests", "integration", "matrix", name].iter().collect()
}

/// One line: patterns of variant, row, direction and phase, and the reason.
struct Rule {
    patterns: [String; 4],
    reason: String,
}

/// All reasons. A pattern is `*`, or alternatives parted by `/`, each the beginning of a name.
pub struct Reasons(Vec<Rule>);

impl Reasons {
    pub fn read() -> Self {
        let text = std::fs::read_to_string(path("reasons.txt")).unwrap();
        let lines = text.lines().filter(|line| !line.is_empty() && !line.starts_with('#'));
        let rules = lines.map(|line| {
            let parts: Vec<_> = line.split('|').map(|part| part.trim().to_owned()).collect();
            let [variant, row, direction, phase, reason] = <[String; 5]>::try_from(parts).unwrap();
            Rule { patterns: [variant, row, direction, phase], reason }
        });
        Self(rules.collect())
    }

    /// Every reason.
    pub fn all(&self) -> impl Iterator<Item = &str> {
        self.0.iter().map(|rule| rule.reason.as_str())
    }

    /// The reason of a cell, if it has one; the first that fits.
    pub fn of(&self, names: [&str; 4]) -> Option<&str> {
        let fits = |(pattern, name): (&String, &str)| {
            pattern == "*" || pattern.split(" / ").any(|beginning| name.starts_with(beginning))
        };
        let rule = self.0.iter().find(|rule| rule.patterns.iter().zip(names).all(fits))?;
        Some(&rule.reason)
    }
}
