use super::*;
use crate::check::Checker;
use crate::machine;

const SCENARIO: &str = include_str!("../../../captures/reel-wrapper/machine.toml");

fn list(text: &str) -> Vec<AssumptionReport> {
    let machine = machine::read("test", text).unwrap_or_else(|problems| panic!("{problems}"));
    assumptions(&machine, &[], Some(&Checker::new(&machine).finish()))
}

fn find<'a>(list: &'a [AssumptionReport], part: &str) -> &'a AssumptionReport {
    list.iter().find(|one| one.text.contains(part)).unwrap_or_else(|| panic!("{part}: {list:#?}"))
}

/// What the scenario says of itself, read by hand.
#[test]
fn the_scenario_rests_on_what_it_says() {
    let told = list(SCENARIO);
    assert_eq!(find(&told, "At most one element").for_.len(), 7);
    assert_eq!(
        find(&told, "keeps its declared ramp").for_,
        [
            "access-request",
            "emergency-stop",
            "curtain-broken-at-outfeed",
            "enabling-released-in-jog",
            "sls-violated-in-jog"
        ]
    );
    assert_eq!(find(&told, "Friction alone").for_, ["conveyor"]);
    assert_eq!(find(&told, "Torque is not lost").for_, ["lift"]);
    assert_eq!(find(&told, "at right angles to the detection zone").for_, ["curtain-broken-at-outfeed"]);
    assert_eq!(find(&told, "speed limit is in force").for_, ["enabling-released-in-jog"]);
    assert!(find(&told, "No clock_tolerance").for_.is_empty());
    assert!(find(&told, "brake test of revision C").for_.contains(&"lift".to_owned()));
    // The demand shows at the gate, the reaction at the drive and through its answer the power stage.
    let gate = told.iter().find(|one| one.about == "outside the wire" && one.for_ == ["gate-opens-in-cycle"]).unwrap();
    assert!(gate.text.contains(": gate-switch, gate-input, the stop of the axis."), "{}", gate.text);
    // Nothing of it shows on the wire at all.
    let jog = told.iter().find(|one| one.about == "outside the wire" && one.for_ == ["sls-violated-in-jog"]).unwrap();
    assert!(jog.text.contains(": its whole path, the stop of the axis."), "{}", jog.text);
}

/// Each change of the file changes its line of the list.
#[test]
fn the_list_follows_the_file() {
    let changed = |from: &str, to: &str| {
        assert!(SCENARIO.contains(from), "{from}");
        list(&SCENARIO.replacen(from, to, 1))
    };
    let told = changed("revision = \"C\"", "revision = \"C\"\nclock_tolerance = \"0.25 %\"");
    find(&told, "at most 0.25 % slow");
    let told = changed("stop = \"SS2-r\"", "stop = \"SS2-r\"\nfaults = \"all\"");
    assert_eq!(find(&told, "Every fault is met by a watchdog").for_, ["access-request"]);
    let told = changed("source = \"demo figure, risk assessment 4.2\"\n", "");
    assert!(find(&told, "names no source").for_.contains(&"gate-opens-in-cycle".to_owned()));
}
