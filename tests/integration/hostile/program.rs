//! The program on files that nobody should have to read. On Linux it runs with an address space that is less than what it reads.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use flate2::Compression;
use flate2::write::GzEncoder;
use tempfile::TempDir;

use super::super::support::{Ran, SCENARIO, block, interface, packet, run, scenario_file, section};

/// Address space in KiB, with room for a second thread; the inputs below are several times as large.
const SPACE: u32 = 400 << 10;

/// Runs the program with at most [`SPACE`], where the system can be told so (`ulimit -v` of the shell, on Linux).
fn bounded(arguments: &[&str]) -> Ran {
    if !cfg!(target_os = "linux") {
        return run(arguments);
    }
    let script = format!("ulimit -v {SPACE} && exec \"$0\" \"$@\"");
    let mut command = Command::new("sh");
    command.args(["-c", &script, env!("CARGO_BIN_EXE_stopspan")]).args(arguments);
    command.stdin(std::process::Stdio::null()).output().unwrap().into()
}

fn folder() -> TempDir {
    tempfile::tempdir().unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn write(folder: &TempDir, name: &str, octets: &[u8]) -> PathBuf {
    let path = folder.path().join(name);
    fs::write(&path, octets).unwrap();
    path
}

/// One gzip member (RFC 1952): several of them behind each other are one file.
fn member(octets: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(octets).unwrap();
    encoder.finish().unwrap()
}

/// The capture was read as far as it goes, within the bounds, and the report says that it is not all.
fn assert_not_examined(ran: &Ran, told: &str) {
    assert_eq!((ran.code, ran.err.as_str()), (2, ""));
    let report = ran.json();
    let reasons = report["not_examined"].to_string();
    assert!(reasons.contains(told), "'{told}' is not in {reasons}");
}

/// The limit is one: with much less the program does not even start.
#[cfg(target_os = "linux")]
#[test]
fn the_space_is_bounded() {
    let script = "ulimit -v 2000 && exec \"$0\" \"$@\"";
    let program = env!("CARGO_BIN_EXE_stopspan");
    let tight = Command::new("sh").args(["-c", script, program, "--version"]).output().unwrap();
    assert!(!tight.status.success());
    assert_eq!(bounded(&["--version"]).code, 0);
}

/// 2 GiB of zeros in 64 members, as the content of blocks of 32 MiB.
#[test]
fn a_gzip_bomb_is_read_in_bounded_memory() {
    let folder = folder();
    let desert = member(&block(0x0BAD, &vec![0; (32 << 20) - 12]));
    let whole = [member(&[section(), interface()].concat()), desert.repeat(64), member(&packet(0, 1, &[0; 60]))];
    let path = write(&folder, "bomb.pcapng.gz", &whole.concat());
    assert!(fs::metadata(&path).unwrap().len() < 20 << 20);
    let ran = bounded(&["analyze", text(&path), "--format", "json"]);
    assert_eq!((ran.code, ran.err.as_str()), (0, ""));
    assert_eq!(ran.json()["capture"]["packets"], 1);
    // Without a block around them the zeros are the end.
    let bare = write(&folder, "bare.pcapng.gz", &[member(&section()), member(&vec![0; 64 << 20])].concat());
    assert_not_examined(&bounded(&["analyze", text(&bare), "--format", "json"]), "0");
}

/// Four million interfaces, 128 MiB of descriptions.
#[test]
fn very_many_interfaces_are_read_in_bounded_memory() {
    let folder = folder();
    let interfaces = member(&interface().repeat(100_000));
    let whole = [member(&section()), interfaces.repeat(40), member(&packet(3_999_999, 1, &[0; 60]))];
    let path = write(&folder, "interfaces.pcapng.gz", &whole.concat());
    assert_not_examined(&bounded(&["analyze", text(&path), "--format", "json"]), "interface");
}

/// 4 GiB of which the file system keeps next to nothing.
#[cfg(unix)]
fn sparse(folder: &TempDir, name: &str, start: &[u8]) -> Option<PathBuf> {
    let path = write(folder, name, start);
    let grown = File::options().write(true).open(&path).and_then(|file| file.set_len(4 << 30));
    if let Err(error) = grown {
        eprintln!("skipped: no sparse files here: {error}");
        return None;
    }
    Some(path)
}

#[cfg(unix)]
#[test]
fn a_sparse_file_of_4_gib_ends_at_once() {
    let folder = folder();
    let start = [section(), interface(), packet(0, 1, &[0; 60])].concat();
    let Some(capture) = sparse(&folder, "sparse.pcapng", &start) else { return };
    assert_not_examined(&bounded(&["analyze", text(&capture), "--format", "json"]), "sparse.pcapng");
    // A classic capture whose records are empty would be read to its end: here its first one claims too much.
    let record = [1, 2, 0xFFFF_FFF0_u32, 60].map(u32::to_le_bytes).concat();
    let head = [0xA1B2_C3D4, 4 << 16 | 2, 0, 0, 65_535, 1_u32].map(u32::to_le_bytes).concat();
    let Some(classic) = sparse(&folder, "sparse.pcap", &[head, record].concat()) else { return };
    assert_not_examined(&bounded(&["analyze", text(&classic), "--format", "json"]), "sparse.pcap");
    let Some(empty) = sparse(&folder, "empty", &[]) else { return };
    let refused = |arguments: &[&str], why: &str| {
        let ran = bounded(arguments);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{arguments:?}: {}", ran.err);
        assert!(ran.err.starts_with("stopspan: ") && ran.err.contains(why), "{arguments:?}: {}", ran.err);
    };
    refused(&["analyze", text(&empty)], "it starts with 00 00 00 00");
    // What is read whole has a largest size.
    let Some(machine) = sparse(&folder, "machine.toml", SCENARIO.as_bytes()) else { return };
    refused(&["budget", text(&machine)], "is larger than 8 MiB; expected a machine file");
    let Some(saved) = sparse(&folder, "saved.json", b"{}") else { return };
    refused(&["compare", text(&saved), text(&saved)], "is larger than 256 MiB; expected a saved result");
}

/// A device without end, in the place of a file.
#[cfg(target_os = "linux")]
#[test]
fn an_endless_device_is_refused() {
    let (machine, zero) = (scenario_file(), "/dev/zero");
    for (arguments, why) in [
        (&["budget", zero][..], "is larger than 8 MiB"),
        (&["analyze", zero], "it starts with 00 00 00 00"),
        (&["survey", zero], "it starts with 00 00 00 00"),
        (&["verify", text(&machine), zero], "it starts with 00 00 00 00"),
        (&["analyze", "/dev/null"], "it is empty"),
    ] {
        let ran = bounded(arguments);
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{arguments:?}: {}", ran.err);
        assert!(ran.err.contains(why), "{arguments:?}: {}", ran.err);
    }
}

/// A pipe with a name, whose writer goes away: before the first octet, in the middle of a packet, at the end.
#[cfg(unix)]
#[test]
fn a_named_pipe_that_closes_is_told() {
    let folder = folder();
    let pipe = folder.path().join("pipe");
    match Command::new("mkfifo").arg(&pipe).status() {
        Ok(status) if status.success() => {}
        other => {
            eprintln!("skipped: mkfifo: {other:?}");
            return;
        }
    }
    let whole = [section(), interface(), packet(0, 1, &[0; 60])].concat();
    let through = |octets: &[u8]| {
        let (to, octets) = (pipe.clone(), octets.to_vec());
        // Opening waits for the reader; writing less than the pipe holds does not.
        let writer = std::thread::spawn(move || File::options().write(true).open(to).unwrap().write_all(&octets));
        let ran = run(["analyze", text(&pipe), "--format", "json"]);
        writer.join().unwrap().unwrap();
        ran
    };
    let ran = through(&whole);
    assert_eq!((ran.code, &ran.json()["capture"]["packets"]), (0, &1.into()));
    assert_not_examined(&through(&whole[..whole.len() - 7]), "pipe");
    let ran = through(&[]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert!(ran.err.contains("is not a capture: it is empty"), "{}", ran.err);
    // A saved result may come through a pipe as well.
    let saved = folder.path().join("saved.json");
    let kept = through(&whole).out.replace("stopspan.analyze/1", "stopspan.analyze/0");
    fs::write(&saved, &kept).unwrap();
    let writer = std::thread::spawn({
        let pipe = pipe.clone();
        move || File::options().write(true).open(pipe).unwrap().write_all(kept.as_bytes())
    });
    let ran = run(["compare", text(&pipe), text(&saved)]);
    writer.join().unwrap().unwrap();
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert!(ran.err.contains("pipe: its schema is 'stopspan.analyze/0'"), "{}", ran.err);
}

/// Permission bits bind everybody but root, so root tries it as somebody else.
#[cfg(unix)]
#[test]
fn a_file_of_somebody_else_is_refused() {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;

    let folder = folder();
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
    let path = write(&folder, "secret.pcapng", &[section(), interface()].concat());
    fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
    let new = folder.path().join("new.toml");
    for (arguments, why) in [
        (&["analyze", text(&path)][..], "cannot open"),
        (&["budget", text(&path)], "could not read"),
        (&["init", text(&new)], "could not write"),
    ] {
        let ran = Command::new(env!("CARGO_BIN_EXE_stopspan")).args(arguments).uid(65_534).output();
        let ran: Ran = match ran {
            Ok(output) => output.into(),
            Err(error) => {
                eprintln!("skipped: this user can't run the program as another one: {error}");
                return;
            }
        };
        assert_eq!((ran.code, ran.out.as_str()), (2, ""), "{arguments:?}: {}", ran.err);
        assert!(ran.err.contains(why) && ran.err.contains("ermission"), "{arguments:?}: {}", ran.err);
    }
}
