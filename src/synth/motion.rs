//! The motion of an axis as pieces of constant jerk: where it is and how fast, at any time.
//!
//! Small kinematics of the synthesiser's own, in floating point: `v = v0 + a t + j t^2 / 2`, `x = x0 + v0 t + a t^2 / 2 + j t^3 / 6`.
//! Only sums, products and roots are used, which IEEE 754 defines to the last bit, so that a seed gives the same octets everywhere.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

/// Nanoseconds in a second.
const SECOND: f64 = 1e9;

/// From `begin` to the begin of the next piece, or for good.
#[derive(Clone, Copy, Debug)]
struct Piece {
    /// Nanoseconds from the start of the capture.
    begin: f64,
    /// Nanometres or nanodegrees, the same per second, per second squared and cubed.
    position: f64,
    speed: f64,
    acceleration: f64,
    jerk: f64,
}

impl Piece {
    fn speed(&self, at: f64) -> f64 {
        let t = (at - self.begin) / SECOND;
        self.speed + t * (self.acceleration + t * self.jerk / 2.0)
    }

    fn position(&self, at: f64) -> f64 {
        let t = (at - self.begin) / SECOND;
        self.position + t * (self.speed + t * (self.acceleration / 2.0 + t * self.jerk / 6.0))
    }
}

/// A motion up to its last planned piece. No piece changes the sign of its speed.
#[derive(Clone, Debug)]
pub(super) struct Motion {
    pieces: Vec<Piece>,
}

impl Motion {
    /// At rest in position 0.
    pub(super) fn new() -> Self {
        let rest = Piece { begin: f64::MIN, position: 0.0, speed: 0.0, acceleration: 0.0, jerk: 0.0 };
        Self { pieces: vec![rest] }
    }

    fn piece(&self, at: f64) -> Option<&Piece> {
        let next = self.pieces.partition_point(|piece| piece.begin <= at);
        self.pieces.get(next.saturating_sub(1))
    }

    /// Position in nanometres or nanodegrees.
    pub(super) fn position(&self, at: f64) -> f64 {
        self.piece(at).map_or(0.0, |piece| {
            if piece.speed == 0.0 && piece.acceleration == 0.0 && piece.jerk == 0.0 {
                piece.position
            } else {
                piece.position(at)
            }
        })
    }

    /// Speed with its sign.
    pub(super) fn speed(&self, at: f64) -> f64 {
        self.piece(at).map_or(0.0, |piece| {
            if piece.acceleration == 0.0 && piece.jerk == 0.0 { piece.speed } else { piece.speed(at) }
        })
    }

    /// Forgets what was before `at`.
    pub(super) fn forget(&mut self, at: f64) {
        let next = self.pieces.partition_point(|piece| piece.begin <= at);
        self.pieces.drain(..next.saturating_sub(1));
    }

    /// Forgets what was planned from `at` on, and goes on from there.
    pub(super) fn replan(&mut self, at: f64) -> Course<'_> {
        let (position, speed) = (self.position(at), self.speed(at));
        let keep = self.pieces.partition_point(|piece| piece.begin < at);
        self.pieces.truncate(keep);
        Course { motion: self, at, position, speed }
    }

    /// The last moment at which the axis is faster than `limit`, if it is at `from` or later and comes below it for good.
    pub(super) fn last_above(&self, limit: f64, from: f64) -> Option<f64> {
        for (place, piece) in self.pieces.iter().enumerate().rev() {
            let end = self.pieces.get(place.saturating_add(1)).map(|next| next.begin);
            let Some(end) = end else {
                // The last piece goes on for good.
                if piece.speed.abs() > limit {
                    return None;
                }
                continue;
            };
            let begin = piece.begin.max(from);
            if end <= from {
                return None;
            }
            let above = |at: f64| piece.speed(at).abs() > limit;
            if above(end) {
                return Some(end);
            }
            if above(begin) {
                return Some(halved(begin, end, above));
            }
        }
        None
    }

    /// Greatest distance from `origin` between two moments, and greatest speed.
    pub(super) fn extremes(&self, origin: f64, from: f64, to: f64) -> (f64, f64) {
        let ends = self.pieces.iter().map(|piece| piece.begin).filter(|begin| *begin > from && *begin < to);
        let mut extremes = (0.0_f64, 0.0_f64);
        for at in ends.chain([from, to]) {
            let (way, speed) = ((self.position(at) - origin).abs(), self.speed(at).abs());
            extremes = (extremes.0.max(way), extremes.1.max(speed));
        }
        extremes
    }
}

/// The moment at which `above` ends, between one where it holds and one where it does not.
fn halved(mut holds: f64, mut fails: f64, above: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..80 {
        let middle = f64::midpoint(holds, fails);
        if above(middle) {
            holds = middle;
        } else {
            fails = middle;
        }
    }
    fails
}

/// A motion being planned, piece by piece.
pub(super) struct Course<'m> {
    motion: &'m mut Motion,
    at: f64,
    position: f64,
    /// Speed at the end of what is planned.
    pub(super) speed: f64,
}

impl Course<'_> {
    fn piece(&mut self, seconds: f64, acceleration: f64, jerk: f64) {
        let piece = Piece { begin: self.at, position: self.position, speed: self.speed, acceleration, jerk };
        self.motion.pieces.push(piece);
        self.at += seconds * SECOND;
        (self.position, self.speed) = (piece.position(self.at), piece.speed(self.at));
    }

    /// Goes on as fast as now.
    pub(super) fn cruise(&mut self, seconds: f64) {
        if seconds > 0.0 {
            self.piece(seconds, 0.0, 0.0);
        }
    }

    /// With a constant acceleration for a time; a turn is a piece of its own.
    pub(super) fn accelerate(&mut self, acceleration: f64, seconds: f64) {
        let turn = if self.speed * acceleration < 0.0 { -self.speed / acceleration } else { f64::INFINITY };
        if turn < seconds {
            self.piece(turn, acceleration, 0.0);
            self.speed = 0.0;
            self.accelerate(acceleration, seconds - turn);
        } else if seconds > 0.0 {
            self.piece(seconds, acceleration, 0.0);
        }
    }

    /// To another speed.
    pub(super) fn reach(&mut self, speed: f64, acceleration: f64) {
        let difference = speed - self.speed;
        let rate = if difference < 0.0 { -acceleration } else { acceleration };
        self.accelerate(rate, difference / rate);
        self.speed = speed;
    }

    /// Down to standstill, with a limited jerk if there is one, beginning and ending without acceleration.
    pub(super) fn ramp(&mut self, deceleration: f64, jerk: Option<f64>) {
        let v = self.speed.abs();
        let sign = if self.speed < 0.0 { -1.0 } else { 1.0 };
        if v == 0.0 {
            return;
        }
        let Some(jerk) = jerk else {
            self.piece(v / deceleration, -sign * deceleration, 0.0);
            self.speed = 0.0;
            return;
        };
        let reached = deceleration.min((v * jerk).sqrt());
        let rise = reached / jerk;
        let straight = (v - reached * rise).max(0.0) / reached;
        self.piece(rise, 0.0, -sign * jerk);
        if straight > 0.0 {
            self.piece(straight, -sign * reached, 0.0);
        }
        self.piece(rise, -sign * reached, sign * jerk);
        self.speed = 0.0;
    }

    /// The end: what is planned goes on for good. Gives the moment from which on it does.
    pub(super) fn finish(mut self) -> f64 {
        let at = self.at;
        self.piece(0.0, 0.0, 0.0);
        at
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Textbook: `s = v^2 / (2 a)`; jerk-limited `s = v^2 / (2 a) + v a / (2 J)`, `t = v / a + a / J`.
    #[test]
    fn ramps_take_their_closed_forms() {
        let mut motion = Motion::new();
        let mut course = motion.replan(0.0);
        course.reach(500.0, 1_000.0);
        course.cruise(0.25);
        course.ramp(2_000.0, None);
        let end = course.finish();
        assert!((end - (0.5 + 0.25 + 0.25) * 1e9).abs() < 1.0, "{end}");
        assert!((motion.position(end) - (125.0 + 125.0 + 62.5)).abs() < 1e-6);
        assert!((motion.speed(0.25e9) - 250.0).abs() < 1e-9 && motion.speed(2e9) == 0.0);
        let above = motion.last_above(100.0, 0.0).unwrap();
        assert!((above - (0.75 + 0.2) * 1e9).abs() < 2.0, "{above}");
        let begin = motion.position(2e9);
        let mut course = motion.replan(2e9);
        course.speed = -500.0;
        course.ramp(3_000.0, Some(60_000.0));
        let end = course.finish();
        assert!((end - 2e9 - (500.0 / 3_000.0 + 3_000.0 / 60_000.0) * 1e9).abs() < 1.0);
        let way = 500.0 * 500.0 / 6_000.0 + 500.0 * 3_000.0 / 120_000.0;
        assert!((begin - motion.position(end) - way).abs() < 1e-6);
        let (farthest, fastest) = motion.extremes(begin, 2e9, end);
        assert!((farthest - way).abs() < 1e-6 && (fastest - 500.0).abs() < 1e-6);
        // Half of a short one: two pieces, `t = 2 sqrt(v / J)`, `s = v sqrt(v / J)`.
        let mut course = motion.replan(5e9);
        course.speed = 60.0;
        course.ramp(3_000.0, Some(60_000.0));
        let short = course.finish();
        assert!((short - 5e9 - 2.0 * (60.0_f64 / 60_000.0).sqrt() * 1e9).abs() < 1.0);
    }

    #[test]
    fn a_load_thrown_up_turns_and_falls() {
        let mut motion = Motion::new();
        let mut course = motion.replan(0.0);
        course.speed = 490.0;
        course.accelerate(-9_800.0, 0.1);
        assert!((course.speed + 490.0).abs() < 1e-6);
        let end = course.finish();
        assert!(motion.position(end).abs() < 1e-6);
        let (farthest, _) = motion.extremes(0.0, 0.0, end);
        assert!((farthest - 12.25).abs() < 1e-6, "{farthest}");
    }
}
