//! What the drawings share: a frame with a title for readers who don't see it, scales, dimension lines, hatching.

use super::markup::{Markup, place};

/// Width of every drawing in its own units; the page scales it.
pub(super) const WIDTH: f64 = 960.0;

/// The head of an arrow, shared by all drawings.
pub(super) const ARROW: &str = "<svg width=\"0\" height=\"0\" aria-hidden=\"true\"><defs>\
<marker id=\"arrow\" viewBox=\"0 0 10 10\" refX=\"9.5\" refY=\"5\" markerWidth=\"9\" markerHeight=\"9\" markerUnits=\"userSpaceOnUse\" \
orient=\"auto-start-reverse\"><path d=\"M0 2L10 5L0 8Z\" class=\"ink\"/></marker></defs></svg>\n";

/// A figure: the drawing, what it shows in words, and its caption.
pub(super) fn figure(
    out: &mut Markup,
    id: &str,
    height: f64,
    caption: &str,
    words: &str,
    draw: impl FnOnce(&mut Markup),
) {
    out.put(format_args!(
        "<figure><div class=\"drawing\"><svg viewBox=\"0 0 {WIDTH} {}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\">",
        place(height)
    ));
    out.element(&format!("title id=\"{id}-t\""), caption);
    out.element(&format!("desc id=\"{id}-d\""), words);
    draw(out);
    out.raw("</svg></div>\n");
    out.element("figcaption", caption);
    out.raw("</figure>\n");
}

/// A linear scale from figures to places.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    start: f64,
    per_unit: f64,
}

impl Scale {
    /// `0` at `start`, `most` at `end`.
    pub(super) fn new(most: f64, start: f64, end: f64) -> Self {
        Self { start, per_unit: if most > 0.0 { (end - start) / most } else { 0.0 } }
    }

    pub(super) fn at(self, value: f64) -> f64 {
        self.start + value * self.per_unit
    }
}

/// Round steps of an axis up to `most`: at most about `count` of them.
pub(super) fn steps(most: f64, count: f64) -> Vec<f64> {
    if most.is_nan() || most <= 0.0 {
        return vec![0.0];
    }
    let rough = most / count;
    let power = 10_f64.powf(rough.log10().floor());
    let step =
        [1.0, 2.0, 5.0, 10.0].into_iter().map(|factor| factor * power).find(|step| *step >= rough).unwrap_or(rough);
    std::iter::successors(Some(0.0), |value| Some(value + step))
        .take_while(|value| *value <= most * 1.000_001)
        .take(100)
        .collect()
}

/// A number on an axis.
pub(super) fn label(value: f64) -> String {
    format!("{}", (value * 1e6).round() / 1e6)
}

/// A horizontal axis with its unit.
pub(super) fn axis(out: &mut Markup, scale: Scale, y: f64, most: f64, unit: &str) {
    out.put(format_args!(
        "<path class=\"thin\" d=\"M{} {y}H{}\"/>",
        place(scale.at(0.0)),
        place(scale.at(most)),
        y = place(y)
    ));
    let steps = steps(most, 12.0);
    let last = steps.len().saturating_sub(1);
    for (index, value) in steps.iter().enumerate() {
        let x = scale.at(*value);
        out.put(format_args!("<path class=\"thin\" d=\"M{} {}v5\"/>", place(x), place(y)));
        let unit = if index == last { format!(" {unit}") } else { String::new() };
        words(out, x, y + 18.0, "middle", &format!("{}{unit}", label(*value)));
    }
}

/// A text in a drawing.
pub(super) fn words(out: &mut Markup, x: f64, y: f64, anchor: &str, text: &str) {
    out.element(&format!("text x=\"{}\" y=\"{}\" text-anchor=\"{anchor}\"", place(x), place(y)), text);
}

/// A horizontal dimension line with arrows at both ends and its figure above.
pub(super) fn dimension(out: &mut Markup, from: f64, to: f64, y: f64, text: &str) {
    out.put(format_args!(
        "<path class=\"thin\" marker-start=\"url(#arrow)\" marker-end=\"url(#arrow)\" d=\"M{} {y}H{}\"/>",
        place(from),
        place(to),
        y = place(y)
    ));
    words(out, f64::midpoint(from, to), y - 5.0, "middle", text);
}

/// What fills a box, so that kinds of time are told apart without colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fill {
    Plain,
    Rising,
    Crossed,
    Level,
}

/// A box.
pub(super) fn bar(out: &mut Markup, x: f64, y: f64, width: f64, height: f64, fill: Fill) {
    let width = width.max(0.0);
    out.put(format_args!(
        "<rect class=\"plain\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
        place(x),
        place(y),
        place(width),
        place(height)
    ));
    // Lines of our own and no pattern: printers turn those into large pictures.
    let strokes = match fill {
        Fill::Plain => return,
        Fill::Rising => rising(width, height, 7.0),
        Fill::Crossed => {
            let lines = rising(width, height, 7.0);
            let mirrored = lines.iter().map(|[x1, y1, x2, y2]| [width - x1, *y1, width - x2, *y2]);
            lines.iter().copied().chain(mirrored).collect()
        }
        Fill::Level => level(width, height, 4.0),
    };
    if strokes.is_empty() {
        return;
    }
    out.raw("<path class=\"hatch\" d=\"");
    for [x1, y1, x2, y2] in strokes {
        out.put(format_args!("M{} {}L{} {}", place(x + x1), place(y + y1), place(x + x2), place(y + y2)));
    }
    out.raw("\"/>");
}

/// Lines at 45 degrees, clipped to the box.
fn rising(width: f64, height: f64, step: f64) -> Vec<[f64; 4]> {
    let sums = std::iter::successors(Some(step), |sum| Some(sum + step)).take_while(|sum| *sum < width + height);
    sums.map(|sum| [(sum - height).max(0.0), sum.min(height), sum.min(width), (sum - width).max(0.0)]).collect()
}

fn level(width: f64, height: f64, step: f64) -> Vec<[f64; 4]> {
    let lines = std::iter::successors(Some(step), |y| Some(y + step)).take_while(|y| *y < height);
    lines.map(|y| [0.0, y, width, y]).collect()
}

/// A text cut so that it fits in `room` units of a drawing.
pub(super) fn fitting(text: &str, room: f64) -> String {
    // A letter of the drawings is about 7 units wide.
    let most = usize_of(room / 7.0);
    if text.chars().count() <= most {
        return text.to_owned();
    }
    if most < 3 {
        return String::new();
    }
    text.chars().take(most - 1).chain(['\u{2026}']).collect()
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to a few hundred first")]
fn usize_of(value: f64) -> usize {
    value.clamp(0.0, 500.0) as usize
}

/// Nanoseconds as milliseconds for a drawing.
#[expect(clippy::cast_precision_loss, reason = "a place in a drawing")]
pub(super) fn millis(nanos: i64) -> f64 {
    nanos as f64 / 1e6
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round_and_end_before_the_end() {
        assert_eq!(steps(10.0, 5.0), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        assert_eq!(steps(0.0, 5.0), [0.0]);
        assert_eq!(steps(f64::NAN, 5.0), [0.0]);
        assert_eq!(steps(870.0, 12.0).len(), 9);
    }

    #[test]
    fn hatching_stays_in_its_box() {
        for (width, height) in [(0.0, 26.0), (3.0, 26.0), (300.0, 26.0), (84.0, 112.0)] {
            for [x1, y1, x2, y2] in rising(width, height, 7.0) {
                assert!(
                    [x1, x2].iter().all(|x| (0.0..=width).contains(x))
                        && [y1, y2].iter().all(|y| (0.0..=height).contains(y))
                );
                assert!((x1 + y1 - x2 - y2).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn long_names_are_cut() {
        assert_eq!(fitting("safety-logic", 200.0), "safety-logic");
        assert_eq!(fitting("safety-logic", 40.0), "safe\u{2026}");
        assert_eq!(fitting("safety-logic", 10.0), "");
    }
}
