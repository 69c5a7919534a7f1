//! The distance from above: hazard, protective device, the distance needed and the distance as built.

use super::drawing::{Fill, Scale, WIDTH, bar, dimension, figure, words};
use super::markup::{Markup, place};
use crate::report::model::FunctionReport;

const LEFT: f64 = 150.0;
const MIDDLE: f64 = 96.0;

/// Draws the distances, if the function has one to keep.
pub(super) fn distance(out: &mut Markup, id: &str, function: &FunctionReport) {
    let (Some(separation), Some(built)) = (&function.separation, function.required.separation_mm) else { return };
    let needed = separation.needed_mm;
    let scale = Scale::new(built.max(needed) * 1.08, LEFT, WIDTH - 120.0);
    let verdict = if needed <= built { "enough" } else { "TOO NEAR" };
    let caption = format!("{}: distance from the hazard, seen from above", function.id);
    let description = format!("Needed {needed} mm, built {built} mm: {verdict}.");
    let height = if needed > built { 206.0 } else { 188.0 };
    figure(out, id, height, &caption, &description, |out| {
        let hazard = scale.at(0.0);
        bar(out, hazard - 84.0, MIDDLE - 56.0, 84.0, 112.0, Fill::Rising);
        words(out, hazard - 42.0, MIDDLE - 64.0, "middle", "hazard zone");
        let device = scale.at(built);
        out.put(format_args!(
            "<path class=\"heavy\" d=\"M{x} {}v128M{x2} {}v128\"/>",
            MIDDLE - 64.0,
            MIDDLE - 64.0,
            x = place(device),
            x2 = place(device + 5.0)
        ));
        words(out, device, MIDDLE - 72.0, "middle", "protective device");
        let reach = scale.at(needed);
        out.put(format_args!("<path class=\"limit\" d=\"M{} {}v140\"/>", place(reach), place(MIDDLE - 56.0)));
        dimension(out, hazard, reach, MIDDLE - 8.0, &format!("needed S = {needed} mm"));
        dimension(out, hazard, device, MIDDLE + 40.0, &format!("built {built} mm"));
        if needed > built {
            dimension(out, device, reach, MIDDLE + 86.0, "missing");
        }
        // The one who approaches.
        out.put(format_args!(
            "<path class=\"thin\" marker-end=\"url(#arrow)\" d=\"M{} {MIDDLE}H{}\"/>",
            WIDTH - 20.0,
            place(device + 14.0)
        ));
        words(out, WIDTH - 20.0, MIDDLE - 10.0, "end", &format!("K = {} mm/s", separation.approach_mm_per_s));
    });
}
