use super::*;
use crate::machine::{self, ValueScale};
use crate::quantity::Travel;
use proptest::prelude::*;

const MACHINE: &str = r#"
schema = 1
machine = { name = "Reel wrapping cell", revision = "C" }
element = [{ id = "switch", worst_case = "8 ms" }]
[[axis]]
id = "table"
kind = "rotary"
max_speed = "180 deg/s"
fault_acceleration = "360 deg/s^2"
standstill = "2 deg/s"
[[value]]
id = "speed"
axis = "table"
quantity = "speed"
type = "i16"
byte_order = "little"
scale = "0.1 deg/s"
to_host = { carrier = "type10", frame_id = 0xC003 }
[[value]]
id = "position"
axis = "table"
quantity = "position"
type = "u16"
byte_order = "little"
scale = "360 deg"
counts = 36000
modulo = "360 deg"
reporting_delay = "2 ms"
to_host = { carrier = "type10", frame_id = 0xC003, offset = 2 }
[[function]]
id = "f"
path = ["switch"]
required = { response_time = "1 s" }
"#;

fn at(ms: i64) -> Location {
    Location { at: Instant::from_nanos(ms * 1_000_000), file: 0, packet: ms.unsigned_abs() }
}

fn machine() -> Machine {
    machine::read("test", MACHINE).unwrap_or_else(|problems| panic!("{problems}"))
}

#[test]
fn speeds_are_amounts_and_those_far_beyond_the_axis_are_not_believed() {
    let machine = machine();
    let mut follow = Follow::new(&machine, 0, &machine.values[0]);
    let mut seen = |counts: i16, ms| follow.packet(&counts.to_le_bytes(), at(ms)).map(|seen| (seen.nano, seen.since));
    assert_eq!(seen(-1_500, 1), Some((150_000_000_000, at(1).at)));
    assert_eq!(seen(-1_500, 2), Some((150_000_000_000, at(1).at)));
    assert_eq!(seen(3_600, 3), Some((360_000_000_000, at(3).at)));
    // Twice the speed is 360 deg/s.
    assert_eq!(seen(3_601, 4), None);
    // -1500 counts with their octets exchanged are 9466.
    assert_eq!(seen((-1_500_i16).swap_bytes(), 5), None);
    let outcome = follow.outcome;
    assert_eq!((outcome.seen, outcome.changes, outcome.range), (5, 1, Some((150_000_000_000, 360_000_000_000))));
    let (why, place, count) = outcome.implausible.unwrap();
    assert_eq!((place.packet, count), (4, 2));
    assert_eq!(why, Implausible::TooFast { speed: 360_100_000_000, limit: 360_000_000_000 });
}

#[test]
fn positions_go_on_where_they_wrap_and_do_not_jump() {
    let machine = machine();
    let mut follow = Follow::new(&machine, 1, &machine.values[1]);
    let mut seen = |counts: u16, ms| follow.packet(&counts.to_le_bytes(), at(ms)).map(|seen| seen.nano);
    assert_eq!(seen(35_900, 0), Some(359_000_000_000));
    assert_eq!(seen(100, 10), Some(361_000_000_000));
    assert_eq!(seen(35_800, 20), Some(358_000_000_000));
    assert!(follow.outcome.implausible.is_none());
    // 360 deg/s for 10 ms, 2 ms of delay and 50 ms of pause are 22.32 deg.
    let _ = follow.packet(&35_800_u16.wrapping_sub(2_232).to_le_bytes(), at(30));
    assert!(follow.outcome.implausible.is_none());
    let _ = follow.packet(&1_u16.to_le_bytes(), at(40));
    assert!(matches!(follow.outcome.implausible, Some((Implausible::Jump { limit: 22_320_000_000, .. }, _, 1))));
    // What the capture has lost may hold any way.
    follow.tap_gap();
    let _ = follow.packet(&18_000_u16.to_le_bytes(), at(50));
    assert!(matches!(follow.outcome.implausible, Some((_, _, 1))));
}

/// IEEE 754 by the language's own conversion; integers by theirs.
#[test]
fn numbers_of_all_types_and_both_orders_are_read() {
    let machine = machine();
    let read = |kind: NumberType, order: ByteOrder, octets: &[u8]| {
        let scale = ValueScale { nano: 1_000, counts: 1 };
        let value = Value { number: kind, byte_order: order, scale, modulo: None, ..machine.values[0].clone() };
        number(&value, octets).and_then(|number| nano(&value, number))
    };
    use ByteOrder::{Big, Little};
    assert_eq!(read(NumberType::I16, Big, &(-2_i16).to_be_bytes()), Some(-2_000));
    assert_eq!(read(NumberType::U16, Little, &65_535_u16.to_le_bytes()), Some(65_535_000));
    assert_eq!(read(NumberType::I32, Little, &(-70_000_i32).to_le_bytes()), Some(-70_000_000));
    assert_eq!(read(NumberType::U32, Big, &4_000_000_000_u32.to_be_bytes()), Some(4_000_000_000_000));
    assert_eq!(read(NumberType::I64, Big, &(-5_i64).to_be_bytes()), Some(-5_000));
    assert_eq!(read(NumberType::F32, Big, &(-2.5_f32).to_be_bytes()), Some(-2_500));
    assert_eq!(read(NumberType::F64, Little, &1e6_f64.to_le_bytes()), Some(1_000_000_000));
    for broken in [f64::NAN, f64::INFINITY, 1e300] {
        assert_eq!(read(NumberType::F64, Little, &broken.to_le_bytes()), None);
    }
    assert_eq!(shortest(-65_000, Some(65_536)), 536);
    assert_eq!(shortest(40_000, Some(65_536)), -25_536);
    assert_eq!(shortest(40_000, None), 40_000);
    let turning = Value { modulo: Some(Travel::from_nano(360_000_000_000)), ..machine.values[1].clone() };
    assert_eq!(modulus(&turning), Some(36_000));
}

/// Numbers of every length, those at the edges of 64 bits among them.
fn any_number() -> impl Strategy<Value = i128> {
    let edges = [i64::MIN, -1, 0, 1, i64::MAX].map(|edge| (-2..=2_i128).prop_map(move |off| i128::from(edge) + off));
    let [a, b, c, d, e] = edges;
    prop_oneof![-1_000_000_000_000..1_000_000_000_000_i128, any::<i64>().prop_map(i128::from), a, b, c, d, e]
}

proptest! {
    /// Oracle: the same in 128 bits, as far as those reach.
    #[test]
    fn the_short_ways_give_the_long_ones(value in any_number(), by in any_number(), over in any_number(), step in any_number()) {
        prop_assert_eq!(scaled(value, by, over), value.checked_mul(by).and_then(|product| product.checked_div(over)));
        if over > 0 {
            let around = (step + over / 2).rem_euclid(over) - over / 2;
            prop_assert_eq!(shortest(step, Some(over)), around);
        }
    }
}
