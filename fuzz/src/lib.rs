//! What is held on any input, one function for each fuzz target. `cargo test` runs them on the committed seeds.

mod capture;
mod carrier;
mod conversation;
mod documents;
mod follow;
mod telegram;
mod whole;

pub use capture::capture;
pub use carrier::carrier;
pub use conversation::conversation;
pub use documents::{machine_file, saved};
pub use follow::{flip, follow, parts};
pub use telegram::{declared, fscp_2_1, fscp_3_1, fscp_12_1, fscp_13_1, iec_62541_15, layout};
pub use whole::{analyze, survey};

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use super::*;

    type Property = fn(&[u8]);

    /// Each target.
    const PROPERTIES: [(&str, Property); TARGETS] = [
        ("analyze", analyze),
        ("capture", capture),
        ("carrier", carrier),
        ("conversation", conversation),
        ("declared", declared),
        ("flip", flip),
        ("follow", follow),
        ("fscp_12_1", fscp_12_1),
        ("fscp_13_1", fscp_13_1),
        ("fscp_2_1", fscp_2_1),
        ("fscp_3_1", fscp_3_1),
        ("iec_62541_15", iec_62541_15),
        ("layout", layout),
        ("machine_file", machine_file),
        ("parts", parts),
        ("saved", saved),
        ("survey", survey),
    ];

    const TARGETS: usize = 17;

    fn here() -> &'static Path {
        Path::new(env!("CARGO_MANIFEST_DIR"))
    }

    fn names(folder: &str) -> Vec<String> {
        let entries = fs::read_dir(here().join(folder)).unwrap();
        let mut names: Vec<String> = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    #[test]
    fn every_target_has_a_property_and_seeds() {
        let targets: Vec<String> = PROPERTIES.iter().map(|(name, _)| (*name).to_owned()).collect();
        assert_eq!(names("seeds"), targets);
        let files: Vec<String> = targets.iter().map(|name| format!("{name}.rs")).collect();
        assert_eq!(names("fuzz_targets"), files);
    }

    #[test]
    fn every_seed_holds() {
        for (name, property) in PROPERTIES {
            let folder = format!("seeds/{name}");
            let seeds = names(&folder);
            assert!(!seeds.is_empty(), "{name} has no seeds");
            for seed in seeds {
                // The name of the seed stands in the output of a failure.
                println!("{folder}/{seed}");
                property(&fs::read(here().join(&folder).join(&seed)).unwrap());
            }
        }
    }
}
