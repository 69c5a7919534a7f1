//! The program as it is run: arguments, exit codes, messages, files.

use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::Stdio;

use tempfile::TempDir;

use super::support::{
    Ran, SCENARIO, interface, packet, run, run_with_input, scenario_file, section, stopspan as command,
};

/// A folder of its own for each test.
fn folder() -> TempDir {
    tempfile::tempdir().unwrap()
}

fn write(folder: &TempDir, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
    let path = folder.path().join(name);
    fs::write(&path, content).unwrap();
    path
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// The job was refused: exit code 2, nothing on standard output, one message that says `parts`.
fn assert_refused(ran: &Ran, parts: &[&str]) {
    assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{}", ran.err);
    // A mistake in a machine file begins with its place, anything else with the program.
    let first = ran.err.lines().next().unwrap();
    assert!(first.starts_with("stopspan: ") || first.contains(".toml:"), "{}", ran.err);
    for part in parts {
        assert!(ran.err.contains(part), "'{part}' is not in: {}", ran.err);
    }
    assert!(!ran.err.contains("panicked"), "{}", ran.err);
}

/// A small capture of nothing that the machine knows.
fn small_capture() -> Vec<u8> {
    [section(), interface(), packet(0, 1, &[0; 60]), packet(0, 2, &[0; 60])].concat()
}

#[test]
fn version_and_help() {
    let version = run(["--version"]);
    assert_eq!(version.code, 0);
    assert!(version.out.starts_with(concat!("stopspan ", env!("CARGO_PKG_VERSION"), " (")), "{}", version.out);
    let help = run(["--help"]);
    assert_eq!(help.code, 0);
    for command in ["verify", "budget", "residual", "analyze", "survey", "synth", "init"] {
        let told = help.out.lines().any(|line| line.trim_start().starts_with(&format!("{command} ")));
        assert!(told, "{command} is not in:\n{}", help.out);
        let own = run([command, "--help"]);
        assert_eq!(own.code, 0);
        assert!(own.out.contains(&format!("Example: stopspan {command} ")), "{}", own.out);
    }
    for told in ["0 examined and within limits", "1 findings or a limit missed", "does not certify"] {
        assert!(help.out.split_whitespace().collect::<Vec<_>>().join(" ").contains(told), "{}", help.out);
    }
}

#[test]
fn wrong_arguments_are_refused() {
    for arguments in
        [&[][..], &["certify"], &["budget"], &["analyze"], &["survey"], &["budget", "a", "--format", "tea"]]
    {
        let ran = run(arguments);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{arguments:?}");
        assert!(ran.err.contains("--help"), "{arguments:?}: {}", ran.err);
    }
}

#[test]
fn a_machine_within_its_limits_gives_0_and_a_missed_limit_1() {
    let met = run(["budget", text(&scenario_file())]);
    assert_eq!((met.code, met.err.as_str()), (0, ""));
    assert!(met.out.contains("Reel wrapping cell"), "{}", met.out);

    let folder = folder();
    let allowed = "time = \"1300 ms\"";
    assert_eq!(SCENARIO.matches(allowed).count(), 1);
    let tight = write(&folder, "tight.toml", SCENARIO.replace(allowed, "time = \"130 ms\""));
    let missed = run(["budget", text(&tight), "--format", "json"]);
    assert_eq!((missed.code, missed.err.as_str()), (1, ""));
    let report = missed.json();
    assert_eq!(report["verdict"], "findings");
    let verdicts: Vec<_> = report["functions"].as_array().unwrap().iter().map(|f| (&f["id"], &f["verdict"])).collect();
    for (id, verdict) in verdicts {
        assert_eq!(verdict, if id == "emergency-stop" { "missed" } else { "met" }, "{id}");
    }
}

#[test]
fn mistakes_in_the_machine_file_are_told_with_their_places() {
    let folder = folder();
    // A number without its unit, and a step of a path that does not exist.
    let mistaken = SCENARIO.replacen("worst_case = \"8 ms\"", "worst_case = \"8\"", 1).replacen(
        "\"gate-input\", \"gate\"",
        "\"gate-inptu\", \"gate\"",
        1,
    );
    let path = write(&folder, "mistaken.toml", &mistaken);
    let place = |part: &str, skip: usize| {
        let at = mistaken.find(part).unwrap() + skip;
        let before = &mistaken[..at];
        let column = at - before.rfind('\n').unwrap();
        format!("{}:{}:{column}: ", text(&path), before.matches('\n').count() + 1)
    };
    let ran = run(["budget", text(&path)]);
    let (unit, step) = (place("worst_case = \"8\"", "worst_case = ".len()), place("\"gate-inptu\"", 0));
    assert_refused(&ran, &[&unit, &step, "did you mean 'gate-input'?", "2 mistakes in the machine file"]);
    // The same file is as wrong for the commands that also read a capture.
    let capture = write(&folder, "run.pcapng", small_capture());
    assert_refused(&run(["verify", text(&path), text(&capture)]), &[&unit, &step]);
    assert_refused(&run(["analyze", text(&capture), "--machine", text(&path)]), &[&unit, &step]);
    let binary = write(&folder, "binary.toml", [b'a', 0xFF, 0xFE]);
    assert_refused(&run(["budget", text(&binary)]), &["binary.toml:1:2: "]);
}

#[test]
fn what_is_no_capture_is_refused_by_name() {
    let folder = folder();
    let missing = folder.path().join("missing.pcapng");
    let a_folder = folder.path().join("a-folder");
    fs::create_dir(&a_folder).unwrap();
    let empty = write(&folder, "empty.pcapng", []);
    let prose = write(&folder, "prose.txt", "The reel is wrapped.");
    let (machine, capture) = (scenario_file(), write(&folder, "run.pcapng", small_capture()));
    for (path, why) in [
        (&missing, "cannot open"),
        (&a_folder, "is a directory"),
        (&empty, "it is empty"),
        (&prose, "it starts with 54 68 65 20"),
    ] {
        assert_refused(&run(["analyze", text(path)]), &[text(path), why]);
        assert_refused(&run(["verify", text(&machine), text(path)]), &[text(path), why]);
        // Also as one of several.
        assert_refused(&run(["analyze", text(&capture), text(path)]), &[text(path), why]);
    }
    assert_refused(&run(["budget", text(&missing)]), &["could not read", text(&missing)]);
    assert_refused(
        &run(["budget", text(&a_folder)]),
        &[text(&a_folder), "is a directory; a machine file was expected"],
    );
    assert_refused(&run(["verify", "-", text(&capture)]), &["standard input; name a file"]);
    for (arguments, why) in [
        (&["budget", text(&machine), "--simulate", "-5"][..], "-5 is not in 1..=1000000"),
        (&["verify", text(&machine), text(&capture), "--longest", "-1"], "expected a number from 0 to"),
    ] {
        let ran = run(arguments);
        assert!(ran.code == 2 && ran.err.contains(why), "{}", ran.err);
    }
    // The two arguments in the wrong order.
    assert_refused(&run(["verify", text(&capture), text(&machine)]), &[text(&capture), "is a capture", "comes first"]);
    assert_refused(&run(["analyze", text(&capture), text(&capture)]), &[text(&capture), "given twice"]);
}

/// The later one would take the place of the earlier.
#[test]
fn two_outputs_to_one_file_are_refused() {
    let folder = folder();
    let (machine, capture) = (scenario_file(), write(&folder, "run.pcapng", small_capture()));
    let (file, link) = (folder.path().join("a.json"), folder.path().join("x").join("..").join("a.json"));
    fs::create_dir(folder.path().join("x")).unwrap();
    let outputs = ["-o", "--record", "--intervals", "--histograms", "--leave"];
    for (place, one) in outputs.iter().enumerate() {
        for other in &outputs[place + 1..] {
            let ran = run(["verify", text(&machine), text(&capture), one, text(&file), other, text(&link)]);
            assert_refused(&ran, &["a.json is asked for by both", other, "choose two files"]);
            assert!(!file.exists());
        }
    }
    let ran = run(["budget", text(&machine), "-o", text(&file), "--record", text(&file)]);
    assert_refused(&ran, &["both --output and --record"]);
    assert_refused(&run(["budget", text(&machine), "-o", text(&file), "--table", "steps"]), &["--table chooses"]);
}

#[test]
fn kinds_of_faults_are_told_as_they_are_typed() {
    let folder = folder();
    let (machine, output) = (scenario_file(), folder.path().join("run.pcapng"));
    let with = |fault: &str| run(["synth", text(&machine), "-o", text(&output), "--duration", "6 s", "--fault", fault]);
    assert_refused(&with("tap-los,gate,to_host,3s"), &["'tap-los'", "'tap-loss'", "unintended-repetition"]);
    for fault in ["tap-loss,gate,to_host,3s", "tap loss,gate,to_host,3s", "Tap-Loss,gate,to_host,3s"] {
        let ran = with(fault);
        assert_eq!(ran.code, 0, "{fault}: {}", ran.err);
    }
}

#[test]
fn an_input_is_never_written_over() {
    let folder = folder();
    let machine = write(&folder, "machine.toml", SCENARIO);
    let capture = write(&folder, "run.pcapng", small_capture());
    fs::create_dir(folder.path().join("sub")).unwrap();
    let (machine, capture) = (text(&machine), text(&capture));
    // Another name of the same file is the same file.
    let detour = folder.path().join("sub").join("..").join("machine.toml");
    for arguments in [
        &["budget", machine, "-o", machine][..],
        &["budget", machine, "-o", text(&detour)],
        &["analyze", capture, "--format", "json", "-o", capture],
        &["analyze", capture, "--machine", machine, "-o", machine],
        &["verify", machine, capture, "-o", capture],
        &["verify", machine, capture, "-o", machine],
    ] {
        let ran = run(arguments);
        assert_refused(&ran, &["is an input", arguments.last().unwrap()]);
    }
    assert_eq!(fs::read(machine).unwrap(), SCENARIO.as_bytes());
    assert_eq!(fs::read(capture).unwrap(), small_capture());
}

#[test]
fn the_extension_of_the_output_chooses_json() {
    let folder = folder();
    let (machine, output) = (scenario_file(), folder.path().join("budget.json"));
    let ran = run(["budget", text(&machine), "-o", text(&output)]);
    assert_eq!((ran.code, ran.out.as_str(), ran.err.as_str()), (0, "", ""));
    let report: serde_json::Value = serde_json::from_slice(&fs::read(&output).unwrap()).unwrap();
    assert_eq!(report["schema"], "stopspan.budget/1");
    assert_eq!(
        (&report["machine"]["name"], &report["verdict"]),
        (&"Reel wrapping cell".into(), &"within limits".into())
    );
    let function = &report["functions"][0];
    // Sums of the machine file, by hand: 8 + 4 + 20 + 8 + 20 + 6 ms; gate watchdog 40 ms over 4 + 20 ms: 16 ms more.
    assert_eq!((&function["no_fault_ns"], &function["one_fault_ns"]), (&74_000_000.into(), &86_000_000.into()));
    // The same as on standard output, and text where it is asked for.
    assert_eq!(run(["budget", text(&machine), "--format", "json"]).out, fs::read_to_string(&output).unwrap());
    let asked = folder.path().join("text.json");
    assert_eq!(run(["budget", text(&machine), "--format", "text", "-o", text(&asked)]).code, 0);
    assert!(fs::read_to_string(&asked).unwrap().contains("Response time"));
    let names: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(names.len(), 2, "nothing half-written stays behind: {names:?}");
}

#[test]
fn an_output_that_cannot_be_written_is_told() {
    let (folder, machine) = (folder(), scenario_file());
    let nowhere = folder.path().join("no-such-folder").join("report.json");
    assert_refused(&run(["budget", text(&machine), "-o", text(&nowhere)]), &["could not write", text(&nowhere)]);
    let a_folder = text(folder.path());
    assert_refused(&run(["budget", text(&machine), "-o", a_folder]), &["could not write", a_folder, "directory"]);
    assert_refused(&run(["init", text(&nowhere)]), &["could not write", text(&nowhere)]);
}

#[test]
fn an_existing_report_is_replaced_and_no_part_stays() {
    let folder = folder();
    let machine = scenario_file();
    let report = write(&folder, "report.json", "an older and longer one".repeat(10_000));
    let ran = run(["budget", text(&machine), "-o", text(&report)]);
    assert_eq!((ran.code, ran.out.as_str(), ran.err.as_str()), (0, "", ""));
    let json: serde_json::Value = serde_json::from_slice(&fs::read(&report).unwrap()).unwrap();
    assert_eq!(json["schema"], "stopspan.budget/1");
    let names: Vec<_> = fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(names, ["report.json"]);
    // Capture and ledger would take each other's place.
    let one = text(&report);
    assert_refused(&run(["synth", text(&machine), "-o", one, "--ledger", one]), &["--ledger"]);
}

/// Links and devices as Unix has them. What is no file must never be replaced by one.
#[cfg(unix)]
#[test]
fn links_and_devices_stay_what_they_are() {
    use std::os::unix::fs::{FileTypeExt, symlink};

    let folder = folder();
    let machine = scenario_file();
    let report = write(&folder, "report.txt", "");
    for (name, target) in [("link", report.as_path()), ("device", Path::new("/dev/null"))] {
        let link = folder.path().join(name);
        symlink(target, &link).unwrap();
        let ran = run(["budget", text(&machine), "-o", text(&link)]);
        assert_eq!((ran.code, ran.err.as_str()), (0, ""));
        assert!(link.is_symlink());
    }
    assert!(fs::read_to_string(&report).unwrap().contains("Verdict: WITHIN LIMITS"));
    assert!(fs::metadata("/dev/null").unwrap().file_type().is_char_device());
}

/// A reader that goes away early is no reason to complain.
#[test]
fn a_closed_pipe_ends_quietly() {
    let machine = scenario_file();
    for arguments in [&["budget", text(&machine), "--format", "json", "--detailed"][..], &["init", "-"], &["--help"]] {
        let mut child = command(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        drop(child.stdout.take());
        let mut complaints = String::new();
        child.stderr.take().unwrap().read_to_string(&mut complaints).unwrap();
        assert_eq!(complaints, "", "{arguments:?}");
        assert_eq!(child.wait().unwrap().code(), Some(0), "{arguments:?}");
    }
}

/// EtherType 0x88AB, then message type, nodes, and for a poll request the size of its process data in octets 8 and 9.
#[test]
fn type_13_frames_are_counted_by_message_type() {
    let frame = |message_type: u8, size: u8| {
        let head = [0x88, 0xAB, message_type, 0xFF, 0xF0, 0, 0, 0, 0, 0, size, 0];
        [&[2; 12][..], &head, &[0; 36]].concat()
    };
    let frames = [frame(3, 36), frame(0x2F, 0), frame(1, 0), frame(3, 0), frame(4, 37)];
    let packets: Vec<u8> = (1..).zip(&frames).flat_map(|(at, frame)| packet(0, at, frame)).collect();
    let ran = run_with_input(["analyze", "-", "--format", "json"], &[section(), interface(), packets].concat());
    let report = ran.json();
    let rows = |name: &str| -> Vec<(String, u64)> {
        let rows = report["capture"][name].as_array().unwrap().iter();
        rows.map(|row| (row["kind"].as_str().unwrap().to_owned(), row["packets"].as_u64().unwrap())).collect()
    };
    let expected = [("SoC", 1), ("PReq", 2), ("message type 0x2F", 1)];
    assert_eq!(rows("carriers"), expected.map(|(name, packets)| (format!("IEC 61158 Type 13, {name}"), packets)));
    let malformed = "IEC 61158 Type 13 frame: 37 octets needed at octet 10, had 36";
    assert_eq!(rows("passed_over"), [(format!("malformed, the first in packet 5: {malformed}"), 1)]);
}

#[test]
fn a_cut_capture_is_not_examined() {
    let folder = folder();
    let whole = small_capture();
    let path = write(&folder, "cut.pcapng", &whole[..whole.len() - 10]);
    let ran = run(["analyze", text(&path), "--format", "json"]);
    assert_eq!((ran.code, ran.err.as_str()), (2, ""));
    let report = ran.json();
    assert_eq!((&report["verdict"], &report["capture"]["packets"]), (&"not examined".into(), &1.into()));
    assert!(report["capture"]["files"][0]["cut"].is_string(), "{report}");
    assert!(report["not_examined"][0].as_str().unwrap().contains("cut.pcapng"), "{report}");
    // What it is cut from is examined.
    let path = write(&folder, "whole.pcapng", whole);
    assert_eq!(run(["analyze", text(&path)]).code, 0);
    // A capture without the machine's connections is not: 2 outranks the 0 of the budget.
    let ran = run(["verify", text(&scenario_file()), text(&path), "--format", "json"]);
    assert_eq!((ran.code, &ran.json()["verdict"]), (2, &"not examined".into()));
}

#[test]
fn a_missed_limit_does_not_hide_that_the_capture_is_cut() {
    let folder = folder();
    let tight = write(&folder, "tight.toml", SCENARIO.replace("time = \"1300 ms\"", "time = \"130 ms\""));
    let path = write(&folder, "cut.pcapng", &small_capture()[..100]);
    assert_eq!(run(["budget", text(&tight)]).code, 1);
    assert_eq!(run(["verify", text(&tight), text(&path)]).code, 2);
}

#[test]
fn init_writes_a_file_to_start_from() {
    let folder = folder();
    let path = folder.path().join("new.toml");
    let ran = run(["init", text(&path)]);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""));
    assert!(ran.out.contains(text(&path)), "{}", ran.out);
    let written = fs::read_to_string(&path).unwrap();
    // It is legal, and its figures are placeholders until somebody says otherwise.
    let draft = run(["budget", text(&path)]);
    assert!(draft.code == 2 && draft.out.contains("draft = true in [machine]"), "{}", draft.out);
    assert!(draft.out.ends_with("Verdict: NOT EXAMINED\n"), "{}", draft.out);
    fs::write(&path, written.lines().filter(|line| !line.starts_with("draft")).collect::<Vec<_>>().join("\n")).unwrap();
    assert_eq!(run(["budget", text(&path)]).code, 0);
    fs::write(&path, "mine").unwrap();
    assert_refused(&run(["init", text(&path)]), &[text(&path), "exists already"]);
    assert_eq!(fs::read_to_string(&path).unwrap(), "mine");
    assert_eq!(run(["init", "-"]).out, written);
    // Without a name it is machine.toml in the folder in which the program runs.
    assert!(command(["init"]).current_dir(folder.path()).output().unwrap().status.success());
    assert_eq!(fs::read_to_string(folder.path().join("machine.toml")).unwrap(), written);
}

#[test]
fn a_capture_may_come_on_standard_input() {
    let folder = folder();
    let path = write(&folder, "run.pcapng", small_capture());
    let piped = run_with_input(["analyze", "-", "--format", "json"], &small_capture());
    assert_eq!((piped.code, piped.err.as_str()), (0, ""));
    let (mut piped, mut named) = (piped.json(), run(["analyze", text(&path), "--format", "json"]).json());
    assert_eq!(piped["capture"]["files"][0]["name"].take(), "standard input");
    assert_eq!(named["capture"]["files"][0]["name"].take(), text(&path));
    assert_eq!(piped, named);
    assert_refused(&run_with_input(["analyze", "-"], &[]), &["standard input is not a capture: it is empty"]);
    assert_refused(&run_with_input(["analyze", "-", "-"], &small_capture()), &["given twice"]);
}

/// Permission bits are Unix's; on a system (or for a user) that reads all the same there is nothing to test.
#[cfg(unix)]
#[test]
fn a_file_that_may_not_be_read_is_told() {
    use std::os::unix::fs::PermissionsExt;

    let folder = folder();
    let path = write(&folder, "secret.pcapng", small_capture());
    fs::set_permissions(&path, fs::Permissions::from_mode(0o000)).unwrap();
    if fs::read(&path).is_ok() {
        eprintln!("skipped: this user may read everything");
        return;
    }
    assert_refused(&run(["analyze", text(&path)]), &[text(&path), "cannot open"]);
    assert_refused(&run(["budget", text(&path)]), &[text(&path), "could not read"]);
}

/// `--quiet` leaves the verdict, the exit code and the files as they are; `--verbose` adds what the figures rest on.
#[test]
fn quiet_and_verbose() {
    let folder = folder();
    let scenario = scenario_file();
    let machine = text(&scenario);
    let [clean, faulty] = ["clean.pcapng", "faulty.pcapng"].map(|name| scenario.with_file_name(name));
    let saved = folder.path().join("saved.json");
    let ran = run(["verify", machine, text(&clean), "--quiet", "-o", text(&saved)]);
    assert_eq!((ran.code, ran.out.as_str()), (0, "Verdict: WITHIN LIMITS\n"));
    let whole: serde_json::Value = serde_json::from_slice(&fs::read(&saved).unwrap()).unwrap();
    assert_eq!(whole["verdict"], "within limits");
    for arguments in [
        &["verify", machine, text(&faulty)][..],
        &["analyze", text(&faulty), "--machine", machine],
        &["budget", machine],
        &["watchdogs", machine],
        &["residual", machine],
        &["compare", text(&saved), text(&saved)],
    ] {
        let (quiet, told) = (run([arguments, &["--quiet"]].concat()), run(arguments));
        let verdict = told.out.lines().last().unwrap();
        assert!(verdict.starts_with("Verdict: "), "{arguments:?}: {verdict}");
        assert_eq!((quiet.code, quiet.out), (told.code, format!("{verdict}\n")), "{arguments:?}");
    }
    assert_refused(&run(["verify", machine, text(&clean), "--quiet", "--format", "json"]), &["--quiet", "--output"]);
    assert_eq!(run(["budget", machine, "--quiet", "--verbose"]).code, 2);
    for arguments in [&["verify", machine, text(&clean)][..], &["budget", machine]] {
        let (verbose, plain) = (run([arguments, &["-v"]].concat()).out, run(arguments).out);
        assert!(verbose.contains("\nAssumptions: what these figures rest on"), "{verbose}");
        assert!(verbose.contains("  - lift: Torque is not lost before the stop acts"), "{verbose}");
        assert!(!plain.contains("Assumptions"));
        assert_eq!(verbose, run([arguments, &["--detailed"]].concat()).out);
    }
}

/// Nothing has colour in a pipe, and every command has its example, also in its manual page.
#[test]
fn no_colour_in_a_pipe_and_examples_everywhere() {
    let help = run(["--help"]).out;
    assert!(help.contains("NO_COLOR") && help.contains("Example: stopspan"), "{help}");
    let folder = folder();
    assert_eq!(run(["manual", text(folder.path())]).code, 0);
    let commands = help.split("Commands:").nth(1).unwrap().split("Options:").next().unwrap();
    let commands: Vec<&str> = commands
        .lines()
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|name| *name != "help")
        .collect();
    assert!(commands.len() >= 10, "{commands:?}");
    for command in commands {
        let own = run([command, "--help"]);
        assert!(own.out.contains(&format!("Example: stopspan {command}")), "{command}: {}", own.out);
        assert!(!own.out.contains('\u{1B}'));
        let page = fs::read_to_string(folder.path().join(format!("stopspan-{command}.1"))).unwrap();
        assert!(page.contains("Example: stopspan"), "{command}");
    }
}

#[test]
fn faults_are_placed_by_packet_telegram_and_chance_and_the_tap_has_its_own() {
    let folder = folder();
    let (machine, output) = (scenario_file(), folder.path().join("run.pcapng"));
    let with = |more: &[&str]| {
        let arguments = ["synth", text(&machine), "-o", text(&output), "--duration", "6 s"];
        run(arguments.iter().chain(more).copied())
    };
    let entries = |more: &[&str], key: &str| -> Vec<serde_json::Value> {
        let ran = with(more);
        assert_eq!(ran.code, 0, "{more:?}: {}", ran.err);
        let ledger = fs::read(output.with_extension("ledger.json")).unwrap();
        let ledger: serde_json::Value = serde_json::from_slice(&ledger).unwrap();
        ledger[key].as_array().cloned().unwrap_or_default()
    };
    let bits = entries(&["--fault", "corruption:bits=3,gate,to_host,packet=3000"], "faults");
    assert_eq!((bits[0]["kind"].as_str(), bits[0]["extent"].as_u64()), (Some("bits"), Some(3)));
    assert_eq!(bits[0]["bits"].as_array().unwrap().len(), 3);
    assert!((3000..3100).contains(&bits[0]["packet"].as_u64().unwrap()));
    assert!(entries(&["--fault", "loss@rate=0.01"], "faults").len() > 5);
    assert_eq!(entries(&["--fault", "corruption:burst=12,lift-drive,to_device,telegram=3"], "faults").len(), 1);
    let tap = ["--tap", "lost:packets=2,3s", "--tap", "cut:octets=40;packets=3,4s", "--tap", "clock-step:by=-2s,5s"];
    let kinds: Vec<_> = entries(&tap, "tap_faults").iter().map(|entry| entry["kind"].clone()).collect();
    assert_eq!(kinds, ["lost", "cut", "clock step"]);
    entries(&["--snap-length", "60", "--second-interface", "-3 ms"], "faults");
    for (option, value, part) in [
        ("--fault", "corruption:bits=x,gate,to_host,3s", "'x' is no whole number"),
        ("--fault", "corruption:nibbles=3,gate,to_host,3s", "known: corruption:bits=N"),
        ("--fault", "loss,gate,to_host,rate=2", "probability per telegram"),
        ("--fault", "loss,gate,to_host,packet=0", "no number from 1 on"),
        ("--fault", "loss,gate,to_host,frame=1", "packet=N, telegram=N or rate=1e-4"),
        ("--fault", "loss,*,to_host,3s", "'*' goes with rate"),
        ("--fault", "loss,gate,3s", "KIND,CONNECTION,DIRECTION,WHEN"),
        ("--tap", "lots,3s", "no fault of the tap 'lots'"),
        ("--tap", "cut,3s", "cut:octets=N"),
        ("--tap", "lost:octets=3,3s", "known: lost:packets=N"),
    ] {
        assert_refused(&with(&[option, value]), &[value, part]);
    }
}
