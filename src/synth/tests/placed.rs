//! Faults at packets, at telegrams and by chance; faults of devices and of the tap.

use super::cell::{self, GATE, LIFT, LINE, cell, faulty};
use super::follow::{Verdict, follow};
use crate::capture::{Input, Run};
use crate::machine::Direction::{self, ToDevice, ToHost};
use crate::synth::{
    FaultKind, Ledger, PlacedFault, Plan, PlannedFault, TapFault, TapFaultKind, TapPlan, When, synthesise,
};
use crate::time::Span;

fn placed(kind: FaultKind, connection: usize, direction: Direction, when: When) -> Plan {
    Plan { placed: vec![PlacedFault { kind, connection, direction, when }], ..faulty(6, Vec::new()) }
}

fn planned(kind: FaultKind, connection: usize, direction: Direction) -> Plan {
    faulty(6, vec![PlannedFault { kind, connection, direction, at: Span::from_millis(2_500) }])
}

#[test]
fn a_fault_waits_for_its_packet() {
    for number in [1_500, 2_000, 3_333] {
        let capture = cell::capture(&cell(), &placed(FaultKind::Bits(3), LIFT, ToHost, When::Packet(number)));
        let entry = &capture.ledger.faults[0];
        assert!((number..number + 60).contains(&entry.packet), "{} for {number}", entry.packet);
        assert_eq!((entry.class, entry.kind, entry.extent, entry.bits.len()), ("corruption", "bits", Some(3), 3));
    }
}

#[test]
fn a_fault_takes_the_telegram_of_its_number_in_the_start_up_too() {
    let machine = cell();
    for number in 2..6 {
        let capture = cell::capture(&machine, &placed(FaultKind::Bits(1), LIFT, ToDevice, When::Telegram(number)));
        let telegrams = &capture.telegrams[LIFT];
        let mut to_device = telegrams.iter().filter(|seen| seen.direction == ToDevice);
        let nth = to_device.nth(usize::try_from(number - 1).unwrap()).unwrap();
        assert_eq!(capture.ledger.faults[0].packet, nth.packet);
        let verdicts = follow(&machine.connections[LIFT], telegrams);
        let first = telegrams.iter().position(|seen| seen == nth);
        assert_eq!(verdicts.iter().position(|verdict| *verdict == Verdict::Unfit), first);
        assert!(matches!(verdicts.last(), Some(Verdict::Data(_))), "it starts all the same");
    }
}

#[test]
fn chance_has_its_rate() {
    let rate = |billionths, seed| -> Ledger {
        let when = When::Rate(billionths);
        let plan = Plan { seed, ..placed(FaultKind::Losses(2), LIFT, ToHost, when) };
        synthesise(&cell(), &Plan { duration: Span::from_millis(30_000), ..plan }, Vec::new()).unwrap()
    };
    // Certain: one each time the connection has had its time to recover, 1 s or so.
    let certain = rate(1_000_000_000, 1);
    assert!((15..40).contains(&certain.faults.len()), "{}", certain.faults.len());
    assert!(certain.faults.iter().all(|fault| (fault.kind, fault.extent) == ("losses", Some(2))));
    // Once in 1000 telegrams, of which there are 70 in a second or so.
    let few: usize = (0..5).map(|seed| rate(1_000_000, seed).faults.len()).sum();
    assert!((3..30).contains(&few), "{few}");
    assert_eq!(rate(1_000_000, 3), rate(1_000_000, 3));
}

#[test]
fn several_telegrams_in_a_row_are_lost() {
    let machine = cell();
    for direction in [ToDevice, ToHost] {
        let with = cell::capture(&machine, &planned(FaultKind::Losses(3), GATE, direction));
        let without = cell::capture(&machine, &faulty(6, Vec::new()));
        let count =
            |capture: &cell::Capture| capture.telegrams[GATE].iter().filter(|seen| seen.direction == direction).count();
        assert_eq!(count(&with) + 3, count(&without));
    }
}

#[test]
fn a_toggle_bit_out_of_step_is_rejected() {
    let machine = cell();
    for kind in [FaultKind::EarlyToggle, FaultKind::MissingToggle] {
        for connection in [GATE, LINE] {
            let capture = cell::capture(&machine, &planned(kind, connection, ToHost));
            let telegrams = capture.telegrams[connection].iter().filter(|seen| seen.direction == ToHost);
            let telegrams: Vec<_> = telegrams.collect();
            let place = telegrams.iter().position(|seen| seen.packet == capture.ledger.faults[0].packet).unwrap();
            let flags = |place: usize| {
                let octets = &telegrams[place].octets;
                octets[octets.len() - if connection == GATE { 4 } else { 5 }]
            };
            // Toggle is bit 5 (0x20); it steps with each telegram.
            let steps = (flags(place) ^ flags(place - 1)) & 0x20 != 0;
            assert_eq!(steps, kind == FaultKind::EarlyToggle, "{kind:?}");
        }
    }
}

#[test]
fn stuck_data_stay_and_every_telegram_is_right() {
    let machine = cell();
    let capture = cell::capture(&machine, &planned(FaultKind::StuckData, GATE, ToHost));
    let verdicts = follow(&machine.connections[GATE], &capture.telegrams[GATE]);
    let entry = &capture.ledger.faults[0];
    let behind = capture.telegrams[GATE].iter().zip(&verdicts);
    let behind = behind.filter(|(seen, _)| seen.direction == ToHost && seen.packet >= entry.packet);
    let data: Vec<_> = behind.map(|(_, verdict)| verdict.clone()).collect();
    assert!(data.len() > 100 && data.iter().all(|verdict| *verdict == data[0] && matches!(verdict, Verdict::Data(_))));
    assert_eq!(entry.class, "none");
}

#[test]
fn power_comes_back_as_often_as_it_goes() {
    let machine = cell();
    for (connection, direction) in [(LIFT, ToDevice), (LIFT, ToHost), (GATE, ToDevice), (GATE, ToHost)] {
        let plan = planned(FaultKind::PowerCycles(3), connection, direction);
        let capture = cell::capture(&machine, &Plan { duration: Span::from_millis(9_000), ..plan });
        assert_eq!(capture.ledger.faults.len(), 3);
        assert!(capture.ledger.faults.windows(2).all(|two| two[0].at < two[1].at));
        let verdicts = follow(&machine.connections[connection], &capture.telegrams[connection]);
        assert!(matches!(verdicts.last(), Some(Verdict::Data(_))), "runs again");
    }
}

#[test]
fn a_reset_has_its_reason() {
    let machine = cell();
    for direction in [ToDevice, ToHost] {
        let capture = cell::capture(&machine, &planned(FaultKind::Reset(6), LIFT, direction));
        let verdicts = follow(&machine.connections[LIFT], &capture.telegrams[LIFT]);
        let entry = &capture.ledger.faults[0];
        let place = capture.telegrams[LIFT].iter().position(|s| s.packet == entry.packet && s.direction == direction);
        assert!(matches!(&verdicts[place.unwrap()], Verdict::Other(0x2A, data) if data[0] == 6));
    }
}

/// Interfaces and times of the packets, octets kept and on the wire.
fn packets(plan: &Plan) -> (Ledger, Vec<(usize, i64, usize, u32)>) {
    let mut octets = Vec::new();
    let ledger = synthesise(&cell(), plan, &mut octets).unwrap();
    let mut run = Run::open([Input::stream("cell", std::io::Cursor::new(octets))]).unwrap();
    let mut packets = Vec::new();
    while let Some(packet) = run.next_packet().unwrap() {
        packets.push((packet.interface, packet.at.unwrap().as_nanos(), packet.octets.len(), packet.original_length));
    }
    (ledger, packets)
}

fn with_tap(kind: TapFaultKind) -> Plan {
    let faults = vec![TapFault { kind, at: Span::from_millis(1_000) }];
    Plan { tap: TapPlan { faults, ..TapPlan::default() }, ..faulty(2, Vec::new()) }
}

#[test]
fn the_tap_does_what_it_is_told_to() {
    let (_, whole) = packets(&faulty(2, Vec::new()));
    let first = whole.iter().position(|(_, at, ..)| *at >= whole[0].1 / 1_000_000_000 * 1_000_000_000 + 1_000_000_000);
    let first = first.unwrap();
    let number = u64::try_from(first + 1).unwrap();
    let told = |kind: TapFaultKind| {
        let (ledger, packets) = packets(&with_tap(kind));
        let [entry] = &ledger.tap_faults[..] else { panic!("{kind:?}") };
        assert_eq!((entry.kind, ledger.packets), (kind.name(), u64::try_from(packets.len()).unwrap()));
        (entry.clone(), packets)
    };
    let (entry, lost) = told(TapFaultKind::Lost(4));
    assert_eq!((entry.packet, entry.packets), (number, 4));
    assert_eq!([&whole[..first], &whole[first + 4..]].concat(), lost);
    let (entry, twice) = told(TapFaultKind::Duplicated(2));
    assert_eq!((entry.packet, entry.packets), (number, 2));
    assert_eq!((twice[first], twice[first + 1], twice[first + 2]), (whole[first], whole[first], whole[first + 1]));
    let (entry, swapped) = told(TapFaultKind::Reordered);
    assert_eq!((entry.packet, entry.at.as_nanos()), (number + 1, whole[first].1));
    assert_eq!((swapped[first], swapped[first + 1]), (whole[first + 1], whole[first]));
    let (_, unseen) = told(TapFaultKind::ReorderedUnseen);
    assert_eq!((unseen[first].1, unseen[first + 1]), (whole[first].1, whole[first]));
    let (_, cut) = told(TapFaultKind::Cut { packets: 3, octets: 40 });
    assert!(cut[first..first + 3].iter().all(|(_, _, kept, original)| *kept == 40 && *original > 40));
    assert_eq!(cut[first + 3..], whole[first + 3..]);
    let (_, late) = told(TapFaultKind::ClockStep(Span::from_millis(-300)));
    assert!(late[first..].iter().zip(&whole[first..]).all(|(late, whole)| late.1 == whole.1 - 300_000_000));
}

#[test]
fn a_snap_length_and_a_second_interface_hold_for_the_whole_capture() {
    let (_, whole) = packets(&faulty(2, Vec::new()));
    let tap = TapPlan { snap_length: 50, second_interface: Some(Span::from_millis(7)), faults: Vec::new() };
    let (_, odd) = packets(&Plan { tap, ..faulty(2, Vec::new()) });
    assert_eq!(odd.len(), whole.len());
    for (odd, whole) in odd.iter().zip(&whole) {
        assert_eq!((odd.1, odd.2), (whole.1 + i64::try_from(odd.0).unwrap() * 7_000_000, whole.2.min(50)));
    }
    assert!(odd.iter().any(|packet| packet.0 == 1) && odd.iter().any(|packet| packet.0 == 0));
}

#[test]
fn what_can_not_be_is_refused() {
    let refused = |plan: &Plan| synthesise(&cell(), plan, Vec::new()).unwrap_err().to_string();
    for (plan, part) in [
        (planned(FaultKind::Bits(0), LIFT, ToHost), "nothing would happen"),
        (planned(FaultKind::Burst(1), LIFT, ToHost), "nothing would happen"),
        (planned(FaultKind::Burst(200), LIFT, ToHost), "not so many bits"),
        (planned(FaultKind::EarlyToggle, LIFT, ToHost), "use another connection"),
        (planned(FaultKind::Reset(1), GATE, ToHost), "use another connection"),
        (placed(FaultKind::Loss, 7, ToHost, When::Packet(1)), "names connection 7"),
        (placed(FaultKind::Loss, LIFT, ToHost, When::Packet(1_000_000)), "did not come about"),
        (with_tap(TapFaultKind::Lost(0)), "would do nothing"),
        (Plan { duration: Span::from_millis(1_040), ..with_tap(TapFaultKind::Lost(1)) }, "too late"),
        (with_tap(TapFaultKind::ClockStep(Span::from_nanos(-2_000_000_000_000_000_000))), "before 1970"),
    ] {
        let message = refused(&plan);
        assert!(message.contains(part), "{message}: {part}");
    }
}
