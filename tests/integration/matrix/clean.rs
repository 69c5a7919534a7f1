//! Long runs of a machine without a fault: nothing may be found.

use stopspan::synth::{self, Demands, Plan};
use stopspan::time::Span;
use stopspan::verdict::Gap;

use super::cells::{examine, told};
use super::variants::{SHORT_IN_UDP, VARIANTS, Variant};

/// Seconds of each capture; they are held in memory.
const SECONDS: i64 = 300;

/// Captures of a form of a profile, half of them from the start-up on, until there were so many new telegrams.
pub fn no_finding(variant: &Variant, wanted: u64) {
    let machine = variant.machine();
    let (mut telegrams, mut packets) = (0, 0);
    for seed in 1.. {
        let duration = Span::from_millis(1_000 * SECONDS);
        let start_up = u64::is_multiple_of(seed, 2);
        let plan = Plan { seed, duration, start_up, demands: Demands::List(Vec::new()), ..Plan::default() };
        let mut octets = Vec::new();
        synth::synthesise(&machine, &plan, &mut octets).unwrap();
        let (outcome, gaps) = examine(&machine, octets);
        assert_eq!(told(&machine, &outcome), [], "{}, seed {seed}", variant.name);
        assert!(outcome.connections.iter().all(|connection| connection.trips.is_empty()), "{}, {seed}", variant.name);
        assert!(!gaps.iter().any(|gap| matches!(gap, Gap::Tap { .. })), "{}, {seed}: {gaps:?}", variant.name);
        packets += outcome.packets;
        telegrams += outcome.connections.iter().map(|c| c.to_device.telegrams + c.to_host.telegrams).sum::<u64>();
        if telegrams >= wanted {
            break;
        }
    }
    println!("{}: {telegrams} telegrams in {packets} packets, nothing found", variant.name);
}

#[test]
fn a_short_clean_run() {
    no_finding(&VARIANTS[1], 10_000);
}

/// One telegram in some ten thousand has a right CRC1 in both orders of its subframes.
#[test]
fn a_clean_run_of_telegrams_that_read_both_ways() {
    no_finding(&SHORT_IN_UDP, 200_000);
}
