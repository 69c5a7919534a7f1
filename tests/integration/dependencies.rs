//! What the crate is built of: no dependency asks for a newer compiler than the crate states, and all come from the registry.
//!
//! With one compiler at hand that is as far as the stated version can be checked: a crate that states none, or too old a
//! one, would show only with that compiler.

use std::process::Command;

use serde_json::Value;

/// The packages of the lock file, of all systems. `None` if they are not all at hand: the tests download nothing.
fn packages() -> Option<Vec<Value>> {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let manifest = concat!(env!("CARGO_MANIFEST_DIR"), "/Cargo.toml");
    let arguments = ["metadata", "--format-version", "1", "--locked", "--offline", "--manifest-path", manifest];
    let output = Command::new(cargo).args(arguments).output().unwrap();
    if !output.status.success() {
        eprintln!("skipped: {}", String::from_utf8_lossy(&output.stderr));
        return None;
    }
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    Some(metadata["packages"].as_array().unwrap().clone())
}

/// Major and minor number.
fn version(text: &str) -> (u32, u32) {
    let mut numbers = text.split('.').map(|number| number.parse().unwrap());
    (numbers.next().unwrap(), numbers.next().unwrap())
}

#[test]
fn no_dependency_needs_a_newer_compiler_than_is_stated() {
    let stated = version(env!("CARGO_PKG_RUST_VERSION"));
    let Some(packages) = packages() else { return };
    let newer: Vec<_> = packages
        .iter()
        .filter(|package| package["rust_version"].as_str().is_some_and(|needed| version(needed) > stated))
        .map(|package| format!("{} needs {}", package["name"], package["rust_version"]))
        .collect();
    assert_eq!(newer, Vec::<String>::new());
    // The check would see it.
    assert!(packages.iter().any(|package| package["rust_version"].as_str().map(version) == Some(stated)));
}

#[test]
fn the_readme_states_the_same_compiler() {
    let (major, minor) = version(env!("CARGO_PKG_RUST_VERSION"));
    let readme = include_str!("../../README.md");
    assert!(readme.contains(&format!("With Rust ({major}.{minor} or later) installed")), "README.md");
}

#[test]
fn every_dependency_comes_from_the_registry() {
    let Some(packages) = packages() else { return };
    for package in &packages {
        let (name, source) = (package["name"].as_str().unwrap(), package["source"].as_str());
        let is_own = name == env!("CARGO_PKG_NAME");
        assert_eq!(source, (!is_own).then_some("registry+https://github.com/rust-lang/crates.io-index"), "{name}");
    }
    assert!(packages.len() > 50);
}
