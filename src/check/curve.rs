//! Speed over time through one stop, in a fixed number of points.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use crate::time::Span;

/// Parts that the time is divided into; each keeps its least and its greatest speed.
const PARTS: usize = 200;

/// Length of a part at first.
const FIRST: i64 = 500_000;

/// One point of a curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct CurvePoint {
    /// Time since the demand.
    pub after: Span,
    /// Amount of the speed: nanometres or nanodegrees per second.
    pub speed: i64,
    /// Distance from where the axis was at the demand, in nanometres or nanodegrees; `None` without a position.
    pub travel: Option<i64>,
}

/// Points of a curve. Time is divided into at most 200 equal parts; of each the slowest and the fastest point are kept, so that no
/// extreme gets lost. When the parts don't suffice, each two become one.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
#[serde(try_from = "Saved")]
pub(super) struct Curve {
    width: i64,
    parts: Vec<(i64, CurvePoint, CurvePoint)>,
}

/// A curve as it was saved: joining ends only where the numbers of the parts rise from 0 on.
#[derive(serde::Deserialize)]
struct Saved {
    width: i64,
    parts: Vec<(i64, CurvePoint, CurvePoint)>,
}

impl TryFrom<Saved> for Curve {
    type Error = &'static str;

    fn try_from(Saved { width, parts }: Saved) -> Result<Self, Self::Error> {
        let numbers = || parts.iter().map(|(number, _, _)| *number);
        let rise = numbers().zip(numbers().skip(1)).all(|(before, after)| before < after);
        if width < FIRST || parts.len() > PARTS || !rise || numbers().next().is_some_and(|first| first < 0) {
            return Err("parts of a curve that are none");
        }
        Ok(Self { width, parts })
    }
}

impl Default for Curve {
    fn default() -> Self {
        Self { width: FIRST, parts: Vec::new() }
    }
}

impl Curve {
    /// Adds a point; time does not go back.
    pub(super) fn add(&mut self, point: CurvePoint) {
        let number = self.number(point.after);
        match self.parts.last_mut() {
            Some(last) if last.0 >= number => join(last, point, point),
            _ => self.parts.push((number, point, point)),
        }
        while self.parts.len() > PARTS {
            self.halve();
        }
    }

    fn number(&self, after: Span) -> i64 {
        after.as_nanos().checked_div_euclid(self.width).unwrap_or(0)
    }

    fn halve(&mut self) {
        self.width = self.width.saturating_mul(2);
        let mut halved: Vec<(i64, CurvePoint, CurvePoint)> = Vec::with_capacity(PARTS);
        for (number, slowest, fastest) in std::mem::take(&mut self.parts) {
            let number = number.div_euclid(2);
            match halved.last_mut() {
                Some(last) if last.0 == number => join(last, slowest, fastest),
                _ => halved.push((number, slowest, fastest)),
            }
        }
        self.parts = halved;
    }

    /// The points in the order of time.
    pub(super) fn points(&self) -> Vec<CurvePoint> {
        let mut points = Vec::with_capacity(self.parts.len().saturating_mul(2));
        for (_, slowest, fastest) in &self.parts {
            let (first, second) = if slowest.after <= fastest.after { (slowest, fastest) } else { (fastest, slowest) };
            points.push(*first);
            points.extend((second != first).then_some(*second));
        }
        points
    }
}

fn join(part: &mut (i64, CurvePoint, CurvePoint), slow: CurvePoint, fast: CurvePoint) {
    if slow.speed < part.1.speed {
        part.1 = slow;
    }
    if fast.speed > part.2.speed {
        part.2 = fast;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_stays_small_and_keeps_its_extremes() {
        let mut curve = Curve::default();
        for step in 0..100_000_i64 {
            let speed = if step == 77_777 { 999 } else { 100 + step % 7 };
            curve.add(CurvePoint { after: Span::from_nanos(step * 250_000), speed, travel: Some(step) });
        }
        let points = curve.points();
        assert!(points.len() <= 2 * PARTS && points.len() > PARTS / 2, "{}", points.len());
        assert!(points.windows(2).all(|pair| pair[0].after < pair[1].after));
        assert_eq!(points.iter().map(|point| point.speed).max(), Some(999));
        assert_eq!(points.iter().map(|point| point.speed).min(), Some(100));
        let few = [CurvePoint { after: Span::ZERO, speed: 5, travel: None }; 1];
        let mut short = Curve::default();
        short.add(few[0]);
        assert_eq!(short.points(), few);
    }
}
