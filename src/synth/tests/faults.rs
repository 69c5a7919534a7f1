//! Captures with faults, and plans that cannot be.

use super::cell::{self, CARRIAGE, Capture, ENABLING, GATE, LIFT, LINE, TURNTABLE, cell, faulty, plan};
use super::follow::{Verdict, follow};
use crate::machine::Direction::{self, ToDevice, ToHost};
use crate::synth::{Demands, FaultKind, LedgerFault, Plan, PlannedFault, SynthError, synthesise};
use crate::telegram::fscp_3_1;
use crate::telegram::fscp_12_1::ResetReason;
use crate::time::Span;

const AT: i64 = 2_500;

fn fault(kind: FaultKind, connection: usize, direction: Direction, millis: i64) -> PlannedFault {
    PlannedFault { kind, connection, direction, at: Span::from_millis(millis) }
}

/// One fault in five seconds.
fn staged(kind: FaultKind, connection: usize, direction: Direction) -> (Capture, Vec<Verdict>) {
    let machine = cell();
    let plan = faulty(5, vec![fault(kind, connection, direction, AT)]);
    let capture = cell::capture(&machine, &plan);
    let verdicts = follow(&machine.connections[connection], &capture.telegrams[connection]);
    let [entry] = &capture.ledger.faults[..] else { panic!("{kind:?}: one fault in the ledger") };
    assert_eq!((entry.class, entry.direction), (kind.name(), direction));
    assert_eq!(entry.connection, machine.connections[connection].id);
    assert!(!entry.detail.is_empty());
    assert!(matches!(verdicts.last(), Some(Verdict::Data(_))), "{kind:?}: has recovered");
    // Nothing happens to the others.
    for (index, other) in machine.connections.iter().enumerate().filter(|(index, _)| *index != connection) {
        if kind != FaultKind::TapLoss {
            assert!(!follow(other, &capture.telegrams[index]).contains(&Verdict::Unfit), "{kind:?}: {}", other.id);
        }
    }
    (capture, verdicts)
}

/// The telegram that the ledger names: its index among the telegrams of its connection.
fn named(capture: &Capture, connection: usize, entry: &LedgerFault) -> usize {
    let telegrams = &capture.telegrams[connection];
    let found = telegrams.iter().position(|seen| seen.packet == entry.packet && seen.direction == entry.direction);
    let found = found.unwrap_or_else(|| panic!("{}: packet {} shows nothing new", entry.class, entry.packet));
    assert_eq!(telegrams[found].at, entry.at);
    found
}

/// First Reset reason of FSCP 12/1 behind a telegram, and who gave it.
fn reason(capture: &Capture, connection: usize, verdicts: &[Verdict], from: usize) -> (Direction, ResetReason) {
    let telegrams = capture.telegrams[connection].iter().zip(verdicts).skip(from);
    let mut resets = telegrams.filter_map(|(seen, verdict)| match verdict {
        Verdict::Other(0x2A, data) => Some((seen.direction, ResetReason(data[0]))),
        _ => None,
    });
    resets.next().unwrap()
}

#[test]
fn what_the_receiver_rejects_shows_in_the_packet_of_the_ledger() {
    // Reasons: 2 unknown command, 3 invalid connection ID, 4 invalid CRC.
    for (kind, expected) in [
        (FaultKind::Corruption, 4),
        (FaultKind::UnintendedRepetition, 4),
        (FaultKind::IncorrectSequence, 4),
        (FaultKind::Insertion, 3),
        (FaultKind::Masquerade, 2),
        (FaultKind::Addressing, 3),
    ] {
        for direction in [ToDevice, ToHost] {
            for connection in [LIFT, CARRIAGE] {
                if kind == FaultKind::Addressing && connection == CARRIAGE {
                    continue;
                }
                let (capture, verdicts) = staged(kind, connection, direction);
                let first = named(&capture, connection, &capture.ledger.faults[0]);
                assert_eq!(verdicts.iter().position(|v| *v == Verdict::Unfit), Some(first), "{kind:?}");
                assert_eq!(verdicts.iter().filter(|v| **v == Verdict::Unfit).count(), 1, "{kind:?}");
                let reset = reason(&capture, connection, &verdicts, first);
                assert_eq!(reset, (direction.opposite(), ResetReason(expected)), "{kind:?}");
            }
        }
    }
}

#[test]
fn fscp_3_1_goes_to_fail_safe_values() {
    for kind in [FaultKind::Corruption, FaultKind::UnintendedRepetition, FaultKind::Addressing] {
        for (direction, answer) in [(ToDevice, 0x04), (ToHost, 0x04)] {
            let (capture, verdicts) = staged(kind, GATE, direction);
            let first = named(&capture, GATE, &capture.ledger.faults[0]);
            assert_eq!(verdicts.iter().position(|v| *v == Verdict::Unfit), Some(first), "{kind:?}");
            // To the device: CE_CRC; to the host: R_cons_nr; the same bit.
            let mut behind = capture.telegrams[GATE].iter().zip(&verdicts).skip(first);
            let other = behind.find_map(|(seen, verdict)| match verdict {
                Verdict::Other(flags, _) => Some((seen.direction, flags & 0x14)),
                _ => None,
            });
            assert_eq!(other, Some((direction.opposite(), answer | 0x10)), "{kind:?} {}", direction.name());
        }
    }
}

/// Two telegrams in the wrong order: the first is one number ahead, the second is the one that was due. Of the device's the ledger names
/// the first, of the host's the second.
#[test]
fn swapped_telegrams_of_fscp_3_1_have_each_others_numbers() {
    for (direction, data) in [(ToHost, 4), (ToDevice, 2)] {
        let (capture, verdicts) = staged(FaultKind::IncorrectSequence, GATE, direction);
        let named = capture.telegrams[GATE][named(&capture, GATE, &capture.ledger.faults[0])].packet;
        let telegrams = capture.telegrams[GATE].iter().zip(&verdicts);
        let telegrams: Vec<_> = telegrams.filter(|(seen, _)| seen.direction == direction).collect();
        let at = telegrams.iter().position(|(seen, _)| seen.packet == named).unwrap();
        let second = if direction == ToHost { at + 1 } else { at };
        let [before, first, second] = telegrams[second - 2..=second] else { panic!("three telegrams") };
        let number = |seen: &cell::Seen| {
            let telegram = fscp_3_1::Telegram::parse(&seen.octets, data, fscp_3_1::Crc2Form::Short).unwrap();
            telegram.solve_number(0x1234).unwrap()
        };
        assert_eq!(number(first.0), number(before.0) + 2);
        assert_eq!(number(second.0), number(before.0) + 1);
        assert!(*first.1 == Verdict::Unfit && matches!(second.1, Verdict::Data(_)));
    }
}

#[test]
fn a_lost_telegram_is_missing_from_the_chain_and_nothing_trips() {
    for (connection, direction) in [(LIFT, ToDevice), (LIFT, ToHost), (GATE, ToDevice), (GATE, ToHost)] {
        let machine = cell();
        let planned = vec![fault(FaultKind::Loss, connection, direction, AT)];
        let with = cell::capture(&machine, &faulty(6, planned));
        let without = cell::capture(&machine, &faulty(6, Vec::new()));
        let count = |capture: &Capture, direction| {
            capture.telegrams[connection].iter().filter(|seen| seen.direction == direction).count()
        };
        assert_eq!(count(&with, direction) + 1, count(&without, direction), "one telegram less");
        assert_eq!(count(&with, direction.opposite()), count(&without, direction.opposite()));
        let missing: Vec<_> =
            without.telegrams[connection].iter().filter(|seen| !with.telegrams[connection].contains(seen)).collect();
        let [missing] = missing[..] else { panic!("only one telegram differs") };
        let next = without.telegrams[connection]
            .iter()
            .find(|seen| seen.direction == direction && seen.packet > missing.packet);
        assert_eq!(with.ledger.faults[0].packet, next.unwrap().packet);
    }
}

#[test]
fn silence_trips_the_watchdog_of_the_partner() {
    for direction in [ToDevice, ToHost] {
        let (capture, verdicts) = staged(FaultKind::UnacceptableDelay, LIFT, direction);
        let first = named(&capture, LIFT, &capture.ledger.faults[0]);
        let before = capture.telegrams[LIFT][..first].iter().rev().find(|seen| seen.direction == direction).unwrap();
        let silence = capture.ledger.faults[0].at.since(before.at).as_nanos();
        assert!(silence > 130_000_000, "{silence} ns without a telegram, watchdog 100 ms");
        let partner = capture.telegrams[LIFT][..first].iter().zip(&verdicts).rev();
        let tripped = partner.filter(|(seen, _)| seen.direction != direction).map(|(_, verdict)| verdict).next();
        assert!(matches!(tripped, Some(Verdict::Other(0x2A, data)) if data[0] == 5), "{tripped:?}");

        let (capture, verdicts) = staged(FaultKind::UnacceptableDelay, GATE, direction);
        let first = named(&capture, GATE, &capture.ledger.faults[0]);
        let flag = match direction {
            ToDevice => 0x18, // WD_timeout and FV_activated
            ToHost => 0x14,   // R_cons_nr and activate_FV
        };
        let tripped = capture.telegrams[GATE][..first].iter().zip(&verdicts).rev();
        let tripped = tripped.filter(|(seen, _)| seen.direction != direction).map(|(_, verdict)| verdict).next();
        assert!(matches!(tripped, Some(Verdict::Other(flags, _)) if flags & 0x1C == flag), "{tripped:?}");
        staged(FaultKind::UnacceptableDelay, LINE, direction);
    }
}

#[test]
fn a_wrong_watchdog_is_sent_at_a_start_up() {
    for (connection, octet) in [(LIFT, 2), (CARRIAGE, 0)] {
        for at in [0, AT] {
            let machine = cell();
            let planned = vec![fault(FaultKind::WrongParameter, connection, ToDevice, at)];
            let capture = cell::capture(&machine, &faulty(6, planned));
            let verdicts = follow(&machine.connections[connection], &capture.telegrams[connection]);
            assert!(!verdicts.contains(&Verdict::Unfit));
            let first = named(&capture, connection, &capture.ledger.faults[0]);
            // 100 ms in the machine file; with one octet per telegram it is in the third chunk alone.
            assert!(matches!(&verdicts[first], Verdict::Other(0x52, data) if data[octet] == 110), "{at}");
        }
    }
}

#[test]
fn the_tap_loses_packets_and_the_machine_runs_on() {
    let machine = cell();
    let planned = vec![fault(FaultKind::TapLoss, LIFT, ToHost, AT)];
    let with = cell::capture(&machine, &faulty(6, planned));
    let without = cell::capture(&machine, &faulty(6, Vec::new()));
    assert!((3..=6).contains(&with.ledger.lost_packets));
    assert_eq!(with.ledger.packets + with.ledger.lost_packets, without.ledger.packets);
    let entry = &with.ledger.faults[0];
    let delay = entry.at.since(with.ledger.start).as_nanos() - AT * 1_000_000;
    assert!((0..10_000_000).contains(&delay), "first telegram behind the gap, {delay} ns after its time");
}

#[test]
fn many_faults_each_in_its_time() {
    let machine = cell();
    let mut planned = Vec::new();
    let mut at = 3_000;
    for kind in FaultKind::ALL {
        for (connection, declared) in machine.connections.iter().enumerate() {
            let direction = if kind == FaultKind::WrongParameter { ToDevice } else { ToHost };
            let alone = kind == FaultKind::Addressing && ![GATE, ENABLING, LIFT, TURNTABLE].contains(&connection);
            if kind.applies_to(&declared.profile) && !alone {
                planned.push(fault(kind, connection, direction, at));
                at += 500;
            }
        }
    }
    let seconds = at / 1_000 + 4;
    let capture = cell::capture(&machine, &Plan { faults: planned.clone(), ..plan(seconds) });
    assert_eq!(capture.ledger.faults.len(), planned.len());
    for (entry, planned) in capture.ledger.faults.iter().zip(planned) {
        let delay = entry.at.since(capture.ledger.start).as_nanos() - planned.at.as_nanos();
        assert!((0..1_500_000_000).contains(&delay), "{} {delay}", entry.class);
    }
}

#[test]
fn impossible_plans_are_refused_before_the_start() {
    let machine = cell();
    let refused = |plan: Plan| synthesise(&machine, &plan, Vec::new()).unwrap_err().to_string();
    let one =
        |kind, connection, direction, millis| refused(faulty(6, vec![fault(kind, connection, direction, millis)]));
    for (message, part) in [
        (one(FaultKind::Addressing, CARRIAGE, ToHost, AT), "possible: `gate` to_device"),
        (one(FaultKind::Insertion, GATE, ToHost, AT), "cannot be placed on connection `gate`"),
        (one(FaultKind::Masquerade, LINE, ToHost, AT), "use another connection"),
        (one(FaultKind::WrongParameter, LIFT, ToHost, AT), "sent to_device"),
        (one(FaultKind::Corruption, 7, ToHost, AT), "names connection 7, the machine has 7"),
        (one(FaultKind::Corruption, LIFT, ToHost, 10), "earliest time is"),
        (one(FaultKind::Corruption, LIFT, ToHost, 5_900), "no time to recover"),
        (
            refused(Plan { start_up: false, ..faulty(6, vec![fault(FaultKind::WrongParameter, LIFT, ToDevice, 0)]) }),
            "joins after the start-up",
        ),
        (
            refused(faulty(
                9,
                vec![fault(FaultKind::Loss, LIFT, ToHost, AT), fault(FaultKind::Loss, LIFT, ToDevice, AT + 100)],
            )),
            "starts or recovers",
        ),
        (refused(Plan { demands: Demands::List(vec![(6, Span::ZERO)]), ..plan(6) }), "function 6, the machine has 6"),
        (refused(Plan { demands: Demands::List(vec![(0, Span::ZERO)]), ..plan(6) }), "the earliest time is"),
        (
            refused(Plan {
                demands: Demands::List(vec![(0, Span::from_millis(4_000))]),
                ..faulty(9, vec![fault(FaultKind::Corruption, GATE, ToHost, 3_500)])
            }),
            "meets the fault",
        ),
    ] {
        let part = if part == "meets the fault" { "meets the corruption planned at 3.5 s" } else { part };
        assert!(message.contains(part), "{message}: {part}");
    }
    let mut hasty = cell();
    hasty.connections[LIFT].watchdog = Span::from_millis(10);
    let error = synthesise(&hasty, &plan(6), Vec::new()).unwrap_err();
    assert!(matches!(&error, SynthError::Machine { connection, .. } if connection == "lift"), "{error}");
}

/// The gate's signal is active when low: fail-safe values demand both functions behind it.
#[test]
fn fail_safe_values_are_a_demand() {
    let (capture, verdicts) = staged(FaultKind::Corruption, GATE, ToDevice);
    let functions: Vec<_> = capture.ledger.demands.iter().map(|d| d.function.as_str()).collect();
    assert_eq!(functions, ["gate-lift", "gate-turntable"]);
    let seen =
        capture.telegrams[GATE].iter().zip(&verdicts).skip_while(|(seen, _)| seen.at < capture.ledger.faults[0].at);
    let mut to_host = seen.filter(|(seen, verdict)| seen.direction == ToHost && !matches!(verdict, Verdict::Data(_)));
    let (first, verdict) = to_host.next().unwrap();
    assert!(matches!(verdict, Verdict::Other(flags, data) if flags & 0x14 == 0x14 && data[1] == 0));
    assert!(capture.ledger.demands.iter().all(|d| d.demand_packet == first.packet && d.reaction.as_nanos() > 0));
}

/// A full disk is an error of the output, not of the plan.
#[test]
fn a_failing_output_is_reported() {
    struct Full(usize);
    impl std::io::Write for Full {
        fn write(&mut self, octets: &[u8]) -> std::io::Result<usize> {
            self.0 = self.0.checked_sub(octets.len()).ok_or_else(|| std::io::Error::other("disk full"))?;
            Ok(octets.len())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    let error = synthesise(&cell(), &plan(6), Full(10_000)).unwrap_err();
    assert!(matches!(error, SynthError::Io(_)), "{error}");
}
