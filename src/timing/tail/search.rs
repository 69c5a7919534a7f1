//! Maxima and crossings of functions of one variable.

use super::real;

/// Steps of the golden section: the interval shrinks to 1e-7 of its length.
const GOLDEN: usize = 34;

/// Halvings of an interval: to 1e-12 of its length.
const HALVINGS: usize = 40;

/// Where `function` is largest in `from..=to`, and the value: the best of `points` points, refined between its neighbours.
pub(super) fn maximum(from: f64, to: f64, points: usize, function: impl Fn(f64) -> f64) -> (f64, f64) {
    let step = (to - from) / real(points.max(1));
    let grid = (0..=points).map(|point| from + step * real(point));
    let best = grid.map(|x| (x, function(x))).fold((from, f64::NEG_INFINITY), larger);
    let (mut low, mut high) = ((best.0 - step).max(from), (best.0 + step).min(to));
    let ratio = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut left, mut right) = (high - ratio * (high - low), low + ratio * (high - low));
    let (mut at_left, mut at_right) = (function(left), function(right));
    for _ in 0..GOLDEN {
        if at_left >= at_right {
            (high, right, at_right) = (right, left, at_left);
            left = high - ratio * (high - low);
            at_left = function(left);
        } else {
            (low, left, at_left) = (left, right, at_right);
            right = low + ratio * (high - low);
            at_right = function(right);
        }
    }
    [(left, at_left), (right, at_right)].into_iter().fold(best, larger)
}

fn larger(best: (f64, f64), one: (f64, f64)) -> (f64, f64) {
    if one.1 > best.1 { one } else { best }
}

/// The edge between `inside`, where `holds`, and `outside`, where it does not.
pub(super) fn edge(mut inside: f64, mut outside: f64, holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(inside, outside);
        if holds(middle) {
            inside = middle;
        } else {
            outside = middle;
        }
    }
    inside
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn maxima_inside_and_at_the_ends_are_found() {
        let (x, value) = maximum(-3.0, 9.0, 20, |x| 5.0 - (x - 1.234_567).powi(2));
        assert!((x - 1.234_567).abs() < 1e-6 && (value - 5.0).abs() < 1e-12);
        assert!((maximum(2.0, 4.0, 8, |x| x).0 - 4.0).abs() < 1e-6);
        assert!((maximum(2.0, 4.0, 8, |x| -x).0 - 2.0).abs() < 1e-6);
        // Part of the interval is no domain.
        let (x, _) = maximum(-4.0, 4.0, 16, |x| if x < 0.5 { f64::NEG_INFINITY } else { -(x - 0.7).powi(2) });
        assert!((x - 0.7).abs() < 1e-6);
    }

    #[test]
    fn an_edge_is_found_either_way() {
        assert!((edge(0.0, 10.0, |x| x * x < 2.0) - 2.0_f64.sqrt()).abs() < 1e-9);
        assert!((edge(10.0, 0.0, |x| x * x > 2.0) - 2.0_f64.sqrt()).abs() < 1e-9);
    }
}
