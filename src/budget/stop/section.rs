//! A part of a ramp: how long it takes from one speed to another.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::function::Ramp;
use crate::budget::rounding::{div_up, mul_div_up, narrow, sqrt_up};
use crate::quantity::Speed;
use crate::time::Span;

const NANO: i128 = 1_000_000_000;

/// Longest time that `ramp`, which begins without acceleration at speed `start`, takes from speed `from` down to speed `to`, rounded
/// up; `None` unless `start >= from >= to >= 0`, or out of range.
///
/// Kinematics. Without a jerk `(from - to) / a`. With a jerk `J` the deceleration grows to `A = min(a, sqrt(start J))`, while the
/// speed falls by `A^2 / (2J)`; symmetric at the end. With `d = start - speed` the time from the start is
/// `sqrt(2 d / J)` in the first part, `A / J + (d - A^2 / (2J)) / A` on the straight, and the whole time less `sqrt(2 speed / J)`
/// in the last part.
pub fn ramp_section(ramp: &Ramp, start: Speed, from: Speed, to: Speed) -> Option<Span> {
    let wide = |speed: Speed| i128::from(speed.as_nano());
    let (v, v1, v0) = (wide(start), wide(from), wide(to));
    let a = i128::from(ramp.deceleration.as_nano());
    if !(v >= v1 && v1 >= v0 && v0 >= 0 && a > 0) {
        return None;
    }
    let nanos = match ramp.jerk {
        None => div_up(v1.checked_sub(v0)?.checked_mul(NANO)?, a)?,
        Some(jerk) => {
            let curve = Curve { v, a, j: i128::from(jerk.as_nano()) };
            // The end is rounded up and the beginning down.
            curve.time_to(v0, true)?.checked_sub(curve.time_to(v1, false)?)?
        }
    };
    Some(Span::from_nanos(narrow(nanos)?))
}

struct Curve {
    v: i128,
    a: i128,
    j: i128,
}

impl Curve {
    /// Nanoseconds from the start of the ramp until the speed is `at`, rounded up or down.
    fn time_to(&self, at: i128, up: bool) -> Option<i128> {
        let Self { v, a, j } = *self;
        if j <= 0 {
            return None;
        }
        let fallen = v.checked_sub(at)?;
        // `sqrt(2 d / J)`.
        let root = |d: i128, up: bool| {
            let square = d.checked_mul(2)?.checked_mul(NANO.checked_mul(NANO)?)?;
            if up { sqrt_up(div_up(square, j)?) } else { square.checked_div(j)?.checked_isqrt() }
        };
        let is_reached = v.checked_mul(j)? >= a.checked_mul(a)?;
        if !is_reached {
            // Two equal halves: `2 sqrt(v / J)` in all.
            if fallen.checked_mul(2)? <= v {
                return root(fallen, up);
            }
            let square = mul_div_up(NANO.checked_mul(NANO)?.checked_mul(4)?, v, j)?;
            let whole = if up { sqrt_up(square)? } else { square.checked_isqrt()?.checked_sub(1)? };
            return whole.checked_sub(root(at, !up)?);
        }
        // Fallen in the first part: `a^2 / (2 J)`; all of this times `2 J`.
        let (first, way) = (a.checked_mul(a)?, fallen.checked_mul(2)?.checked_mul(j)?);
        if way <= first {
            return root(fallen, up);
        }
        let divide = |n: i128, d: i128| if up { div_up(n, d) } else { n.checked_div(d) };
        if at.checked_mul(2)?.checked_mul(j)? >= first {
            // `a / J + d / a - a / (2 J) = d / a + a / (2 J)`.
            let straight = divide(fallen.checked_mul(NANO)?, a)?;
            return straight.checked_add(divide(a.checked_mul(NANO)?, j.checked_mul(2)?)?);
        }
        let whole = divide(v.checked_mul(NANO)?, a)?.checked_add(divide(a.checked_mul(NANO)?, j)?)?;
        whole.checked_sub(root(at, !up)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Acceleration, Jerk};

    fn mm(millis: f64) -> Speed {
        #[allow(clippy::cast_possible_truncation)]
        Speed::from_nano((millis * 1e6).round() as i64)
    }

    /// Steps of a microsecond through the ramp as its definition says it: an oracle without a closed form.
    fn stepped(v: f64, a: f64, j: f64, from: f64, to: f64) -> f64 {
        let reached = a.min((v * j).sqrt());
        let (mut speed, mut at, mut begin) = (v, 0.0, None);
        let last = reached * reached / (2.0 * j);
        let mut slope = 0.0_f64;
        let dt = 1e-6;
        loop {
            if speed <= from && begin.is_none() {
                begin = Some(at);
            }
            if speed <= to {
                return at - begin.unwrap();
            }
            slope = if speed > last { (slope + j * dt).min(reached) } else { (2.0 * j * speed.max(0.0)).sqrt() };
            speed -= slope * dt;
            at += dt;
        }
    }

    #[test]
    fn sections_agree_with_steps_through_the_ramp() {
        for (v, a, j) in
            [(500.0, 3_000.0, 60_000.0), (100.0, 3_000.0, 60_000.0), (180.0, 240.0, 2_400.0), (15.0, 240.0, 2_400.0)]
        {
            #[allow(clippy::cast_possible_truncation)]
            let (deceleration, jerk) =
                (Acceleration::from_nano(a as i64 * 1_000_000), Jerk::from_nano(j as i64 * 1_000_000));
            let ramp = Ramp { deceleration, jerk: Some(jerk) };
            for (from, to) in [(1.0, 0.75), (0.95, 0.9), (0.75, 0.25), (0.6, 0.1), (0.3, 0.05), (1.0, 0.02)] {
                let (from, to) = (from * v, to * v);
                let exact = ramp_section(&ramp, mm(v), mm(from), mm(to)).unwrap();
                let seen = stepped(v, a, j, from, to);
                #[allow(clippy::cast_precision_loss)]
                let exact = exact.as_nanos() as f64 / 1e9;
                assert!((exact - seen).abs() < 4e-6 + seen * 2e-3, "{v} {from} {to}: {exact} {seen}");
            }
        }
    }

    /// Textbook: `t = (v1 - v0) / a`. A whole jerk-limited ramp takes what `jerk_limited_ramp` says.
    #[test]
    fn whole_ramps_and_straight_ones_have_their_known_times() {
        let a = Acceleration::from_nano(3_000_000_000);
        let straight = Ramp { deceleration: a, jerk: None };
        assert_eq!(ramp_section(&straight, mm(500.0), mm(375.0), mm(75.0)), Some(Span::from_millis(100)));
        assert_eq!(ramp_section(&straight, mm(500.0), mm(75.0), mm(76.0)), None);
        for (v, j) in [(500.0, 60.0), (100.0, 60.0), (7.0, 3.0)] {
            #[allow(clippy::cast_possible_truncation)]
            let jerk = Jerk::from_nano(j as i64 * NANO as i64);
            let whole = super::super::jerk_limited_ramp(super::super::PhaseKind::Ramp, mm(v), a, jerk).unwrap();
            let section = ramp_section(&Ramp { deceleration: a, jerk: Some(jerk) }, mm(v), mm(v), mm(0.0)).unwrap();
            assert!((section.as_nanos() - whole.time.as_nanos()).abs() <= 2, "{v} {j}");
        }
    }
}
