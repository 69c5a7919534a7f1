//! Outputs that can't be written: a full disk, a file that may not grow, a program that is killed. Whole or not at all.

use std::fs;
use std::path::Path;

use tempfile::TempDir;

use super::super::support::{run, scenario_file};

fn folder() -> TempDir {
    tempfile::tempdir().unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[cfg(unix)]
fn names(folder: &TempDir) -> Vec<String> {
    let entries = fs::read_dir(folder.path()).unwrap();
    let mut names: Vec<_> = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// Linux has a device that is always full.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_told() {
    let machine = scenario_file();
    for form in ["text", "json", "csv", "junit"] {
        let ran = run(["budget", text(&machine), "--format", form, "-o", "/dev/full"]);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{form}");
        assert!(ran.err.contains("could not write /dev/full: No space left"), "{form}: {}", ran.err);
    }
    let full = fs::File::options().write(true).open("/dev/full").unwrap();
    let program = env!("CARGO_BIN_EXE_stopspan");
    let ran = std::process::Command::new(program).args(["budget", text(&machine)]).stdout(full).output().unwrap();
    let said = String::from_utf8(ran.stderr).unwrap();
    assert_eq!(ran.status.code(), Some(2), "{said}");
    assert!(said.contains("could not write to standard output: No space left"), "{said}");
}

/// A file that may not grow beyond 8 KiB: the old report stays, and no part of the new one.
#[cfg(target_os = "linux")]
#[test]
fn an_output_that_stops_growing_leaves_the_old_one() {
    let (folder, machine) = (folder(), scenario_file());
    let (report, capture) = (folder.path().join("report.json"), folder.path().join("run.pcapng"));
    fs::write(&report, "the old one").unwrap();
    for (arguments, output) in [
        (&["budget", text(&machine), "-o", text(&report)][..], &report),
        (&["synth", text(&machine), "--duration", "1 s", "-o", text(&capture)], &capture),
    ] {
        // The signal for it is ignored, so that the write fails as it does on a full disk; `ulimit -f` counts 512 octets.
        let script = "trap '' XFSZ && ulimit -f 16 && exec \"$0\" \"$@\"";
        let mut command = std::process::Command::new("sh");
        let ran = command.args(["-c", script, env!("CARGO_BIN_EXE_stopspan")]).args(arguments).output().unwrap();
        let said = String::from_utf8(ran.stderr).unwrap();
        assert_eq!(ran.status.code(), Some(2), "{said}");
        assert!(said.contains("could not write") && said.contains(text(output)), "{said}");
    }
    assert_eq!(fs::read_to_string(&report).unwrap(), "the old one");
    assert_eq!(names(&folder), ["report.json"]);
}

/// Killed while it writes: what was there stays as it was. The part that is left has a name that nobody asked for.
#[cfg(unix)]
#[test]
fn a_killed_program_leaves_the_old_output() {
    use super::super::support::stopspan;
    use std::process::Stdio;

    let (folder, machine) = (folder(), scenario_file());
    let capture = folder.path().join("run.pcapng");
    fs::write(&capture, "the old one").unwrap();
    let mut command = stopspan(["synth", text(&machine), "--duration", "86400 s", "-o", text(&capture)]);
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let part = folder.path().join(format!(".run.pcapng.{}.part", child.id()));
    // A day of capture takes minutes: it is in the middle as soon as something is there.
    while fs::metadata(&part).map_or(0, |is| is.len()) < 100_000 {
        assert_eq!(child.try_wait().unwrap(), None, "ended before it was killed");
        std::thread::yield_now();
    }
    child.kill().unwrap();
    child.wait().unwrap();
    assert_eq!(fs::read_to_string(&capture).unwrap(), "the old one");
    let left = names(&folder);
    assert!(left == [part.file_name().unwrap().to_str().unwrap(), "run.pcapng"], "{left:?}");
    // The next run is not disturbed by what is left.
    let ran = run(["synth", text(&machine), "--duration", "1 s", "-o", text(&capture)]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert!(fs::read(&capture).unwrap().starts_with(&[0x0A, 0x0D, 0x0D, 0x0A]));
}
