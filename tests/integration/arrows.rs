//! Holds the modules to the arrows between them, by reading the sources.

mod source;

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use source::Source;

/// Every module of the crate and the modules that it may use, in dependency order: each uses only those above it.
const ARROWS: [(&str, &[&str]); 19] = [
    ("saved", &[]),
    ("time", &[]),
    ("bytes", &["saved"]),
    ("quantity", &["time"]),
    ("capture", &["bytes", "time"]),
    ("carrier", &["bytes", "time"]),
    ("telegram", &["bytes", "time"]),
    ("latency", &["quantity", "time"]),
    ("machine", &["latency", "quantity", "telegram", "time"]),
    ("timing", &["time"]),
    ("compare", &["time"]),
    ("check", &["bytes", "capture", "carrier", "telegram", "machine", "saved", "timing", "time"]),
    ("state", &["capture", "check", "machine", "saved", "time"]),
    ("survey", &["bytes", "capture", "carrier", "telegram", "machine", "time"]),
    ("budget", &["time", "quantity", "latency", "machine"]),
    ("verdict", &["check", "timing", "budget", "machine", "capture", "carrier", "telegram", "quantity", "time"]),
    ("synth", &["capture", "carrier", "telegram", "machine", "quantity", "time", "bytes"]),
    (
        "report",
        &[
            "budget", "capture", "carrier", "check", "compare", "latency", "machine", "quantity", "telegram", "time",
            "timing", "verdict", "synth", "survey", "state",
        ],
    ),
    (
        "cli",
        &[
            "time", "bytes", "quantity", "capture", "carrier", "telegram", "machine", "timing", "check", "budget",
            "verdict", "synth", "compare", "survey", "report", "state",
        ],
    ),
];

/// Modules that compute: what they know comes in as arguments.
const PURE: [&str; 9] = ["compare", "check", "saved", "state", "survey", "timing", "latency", "budget", "verdict"];

/// Paths that a pure module must not name.
const AMBIENT: [&[&str]; 7] = [
    &["std", "fs"],
    &["std", "env"],
    &["std", "net", "TcpStream"],
    &["std", "process"],
    &["std", "thread"],
    &["SystemTime"],
    &["Instant", "now"],
];

/// Macros and functions that print.
const PRINTING: [&str; 6] = ["println", "eprintln", "print", "eprint", "stdout", "stderr"];

/// What is wrong with the source of a file of the top-level module `module` (empty for `lib.rs` and `main.rs`).
fn mistakes(module: &str, source: &Source) -> Vec<String> {
    let mut mistakes = Vec::new();
    let allowed = ARROWS.iter().find(|(name, _)| *name == module).map_or(&[][..], |(_, allowed)| allowed);
    let is_root = module.is_empty();
    for path in &source.paths {
        let segments: Vec<&str> = path.iter().map(String::as_str).collect();
        match segments[..] {
            ["crate"] if !is_root => mistakes.push("takes the whole crate".to_owned()),
            ["crate", "*"] if !is_root => mistakes.push("takes everything in the crate".to_owned()),
            ["crate", used, ..] if !is_root && used != module && !allowed.contains(&used) => {
                mistakes.push(format!("uses {used}"));
            }
            ["clap", ..] if module != "cli" => mistakes.push("names clap".to_owned()),
            _ => {}
        }
        let names = |wanted: &[&str]| segments.windows(wanted.len()).any(|window| window == wanted);
        if let Some(ambient) = AMBIENT.iter().find(|ambient| PURE.contains(&module) && names(ambient)) {
            mistakes.push(format!("names {}", ambient.join("::")));
        }
    }
    if module != "cli" {
        let printing = PRINTING.iter().filter(|name| source.names.contains(**name));
        mistakes.extend(printing.map(|name| format!("prints with {name}")));
    }
    mistakes.dedup();
    mistakes
}

/// All Rust files below `folder`.
fn rust_files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

/// The sources of the crate without its tests: path from `src` on, module path, what it names.
fn crate_sources() -> Vec<(PathBuf, Vec<String>, Source)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    rust_files(&folder, &mut files);
    files.sort();
    let mut sources = Vec::new();
    for file in files {
        let path = file.strip_prefix(&folder).unwrap().to_owned();
        // The build script is no part of the crate.
        if path != Path::new("build.rs") {
            let module = source::module_path(&path);
            let source = Source::read(&module, &fs::read_to_string(&file).unwrap());
            sources.push((path, module, source));
        }
    }
    let tests: BTreeSet<Vec<String>> =
        sources.iter().flat_map(|(_, _, source)| source.test_modules.iter().cloned()).collect();
    sources.retain(|(_, module, _)| !(1..=module.len()).any(|length| tests.contains(&module[..length])));
    sources
}

#[test]
fn the_sources_keep_to_the_arrows() {
    let sources = crate_sources();
    assert!(sources.len() > 50, "only {} files found", sources.len());
    let mut wrong = Vec::new();
    for (path, module, source) in &sources {
        let top = module.first().map_or("", String::as_str);
        if !top.is_empty() && ARROWS.iter().all(|(name, _)| *name != top) {
            wrong.push(format!("src/{}: module {top} has no row in the table of arrows", path.display()));
        }
        wrong.extend(mistakes(top, source).into_iter().map(|mistake| format!("src/{}: {mistake}", path.display())));
    }
    assert!(wrong.is_empty(), "\n{}\n", wrong.join("\n"));
}

/// If nothing at all were found, the test above would pass.
#[test]
fn the_arrows_that_make_the_program_are_found() {
    let sources = crate_sources();
    for (from, to) in [("check", "capture"), ("verdict", "budget"), ("report", "verdict"), ("cli", "report")] {
        let found = sources.iter().filter(|(_, module, _)| module.first().is_some_and(|top| top == from)).any(
            |(_, _, source)| source.paths.iter().any(|path| path.len() > 1 && path[0] == "crate" && path[1] == to),
        );
        assert!(found, "{from} -> {to}");
    }
}

#[test]
fn the_table_has_no_circle_and_keeps_the_witnesses_apart() {
    for (place, (module, allowed)) in ARROWS.iter().enumerate() {
        for used in *allowed {
            let above = ARROWS[..place].iter().any(|(name, _)| name == used);
            assert!(above, "{module} -> {used} does not point upwards");
        }
    }
    let allowed = |from| ARROWS.iter().find(|(name, _)| *name == from).unwrap().1;
    assert!(!allowed("check").contains(&"synth"), "the checker would be tested against itself");
    for judging in ["check", "budget", "verdict"] {
        assert!(!allowed("synth").contains(&judging));
    }
}

/// Every kind of broken arrow in a source of our own is found, and nothing else.
#[test]
fn the_scan_finds_what_is_forbidden_and_nothing_else() {
    let of = |module: &[&str], text: &str| {
        let path: Vec<String> = module.iter().map(|name| (*name).to_owned()).collect();
        mistakes(module.first().unwrap_or(&""), &Source::read(&path, text))
    };
    for (text, expected) in [
        ("use crate::report::Report;", "uses report"),
        ("use crate::{time::Span, report};", "uses report"),
        ("use crate::{time::{self, Span}, capture::{Cut, Run}, cli::{self, Error},};", "uses cli"),
        ("pub use crate :: /* far */ synth :: Fault;", "uses synth"),
        ("fn f() -> crate::report::Report { todo() }", "uses report"),
        ("fn f(x: &[crate::synth::Fault; 2]) {}", "uses synth"),
        ("use super::super::synth;", "uses synth"),
        ("use super::super::{time, synth};", "uses synth"),
        ("mod inner { use super::super::super::synth; }", "uses synth"),
        ("macro_rules! m { () => { $crate::synth::f() } }", "uses synth"),
        ("use crate as everything;", "takes the whole crate"),
        ("use crate::*;", "takes everything in the crate"),
        ("use clap::Parser;", "names clap"),
        ("use std::{fs, io};", "names std::fs"),
        ("fn f() { std::env::args(); }", "names std::env"),
        ("use std::time::{Duration, SystemTime};", "names SystemTime"),
        ("fn f() { std::time::Instant::now(); }", "names Instant::now"),
        ("fn f() { println!(\"{}\", 1); }", "prints with println"),
        ("fn f() { io::stderr().write_all(b\"\"); }", "prints with stderr"),
        ("#[cfg(not(test))] use crate::synth::f;", "uses synth"),
        ("#[cfg(test)] mod tests { fn f() { '{'; } } use crate::synth::f;", "uses synth"),
        ("#[cfg(test)] use crate::cli::f; use crate::synth::f;", "uses synth"),
        ("#[cfg(test)] #[test] fn f(x: [u8; 2]) -> u8 { 1 } use crate::synth::f;", "uses synth"),
        ("fn f<'a>(x: &'a str) -> char { '\\'' } use crate::synth::f;", "uses synth"),
        ("const A: &str = r#\"\"quoted\"\"#; use crate::synth::f;", "uses synth"),
        ("const A: &[u8] = b\"\\\"\"; use crate::synth::f;", "uses synth"),
    ] {
        assert_eq!(of(&["check", "made_up"], text), [expected], "{text}");
    }
    for text in [
        "use crate::time::Span; use crate::check::finding::Class; use super::synth; use super::super::time;",
        "//! [`Report`](crate::report::Report) and crate::cli::main\n/// see crate::synth\n// println!",
        "/* use crate::synth; /* nested crate::cli */ crate::report */",
        "const A: &str = \"use crate::synth; println!\"; const B: &str = r\"crate::cli\";",
        "#[cfg(test)] mod tests { use crate::synth::f; fn g() { println!(\"}\"); } }",
        "#[cfg(test)]\n#[allow(unused)]\nuse crate::{synth, cli};",
        "#[cfg(test)] mod published;",
        "#[cfg(all(test, unix))] fn f() { std::fs::read(\"\"); }",
        "pub(crate) struct A; pub(in crate::check) struct B; fn now() {} fn f() { x.synth.cli(); }",
        "fn f(at: crate::time::Instant) { at.now; }",
    ] {
        assert_eq!(of(&["check", "made_up"], text), [""; 0], "{text}");
    }
    assert_eq!(of(&["time"], "use super::bytes::Reader;"), ["uses bytes"]);
    assert_eq!(of(&["cli", "run"], "use clap::Args; use crate::check; fn f() { println!(); }"), [""; 0]);
    assert_eq!(of(&["capture", "source"], "use std::fs;"), [""; 0], "reading files is its work");
    assert_eq!(of(&[], "pub mod check; pub use crate::check::Finding;"), [""; 0]);
    let declared = Source::read(&["check".to_owned()], "#[cfg(test)] mod published; mod other;");
    assert_eq!(declared.test_modules, [["check", "published"]]);
}
