//! The clock of the capture: whether it went back, jumped ahead, or nothing was captured for unusually long.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::finding::Location;
use crate::time::{Instant, Span};

/// Packets after which it is known how long nothing is captured between two of them.
const SETTLED: u32 = 64;

/// A pause in the whole capture that is this many times as long as any before is doubtful.
const UNUSUAL: i64 = 16;

/// Packets of a stretch of the pace: more than most buses send in a cycle, so that its longest pause is in each stretch.
const STRETCH: u16 = 512;

/// Steps back whose way back has not shown that are remembered.
const OWED: usize = 4;

/// What the time of a packet says of the clock of the capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Clock {
    Runs,
    /// It went back: no interval over this can be measured.
    Back {
        /// It had gone ahead by as much before: this was the packet.
        ahead_at: Option<Location>,
    },
    /// It went ahead by about as much as it had gone back before: there are two clocks, or it was set twice.
    Ahead,
    /// Nothing was captured for an unusually long time: the clock may have jumped, the capture may have paused, or everything
    /// may have stood still.
    Doubtful(Span),
}

/// Follows the times of all packets.
#[derive(Clone, Debug, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct CaptureClock {
    last: Option<Instant>,
    packets: u32,
    /// Longest pause so far between two packets, the doubtful ones left out.
    longest: Span,
    /// The packet behind it.
    longest_at: Option<Location>,
    pauses: Pauses,
    /// Steps back that no jump ahead has made good.
    owed: Vec<Owed>,
}

/// The longest pauses of late.
#[derive(Clone, Copy, Debug, Default, serde::Serialize, serde::Deserialize)]
struct Pauses {
    /// Packets of this stretch.
    packets: u16,
    /// The longest two of this stretch, the longest first, and of the one before it.
    longest: [Span; 2],
    before: [Span; 2],
}

/// A step back, by this much.
#[derive(Clone, Copy, Debug, serde::Serialize, serde::Deserialize)]
struct Owed {
    back: Span,
    /// A usual pause that is about as long has been left out of the pace: it may have been the way back all the same.
    is_left_out: bool,
}

impl CaptureClock {
    /// Looks at the time of a packet.
    #[inline]
    pub(super) fn time(&mut self, at: Location) -> Clock {
        let Some(last) = self.last.replace(at.at) else { return Clock::Runs };
        let pause = at.at.since(last);
        if pause < Span::ZERO {
            return self.back(Span::from_nanos(pause.as_nanos().saturating_neg()));
        }
        if !self.owed.is_empty()
            && let Some(clock) = self.way_back(pause)
        {
            return clock;
        }
        self.packets = self.packets.saturating_add(1);
        if self.packets > SETTLED && pause.as_nanos() / UNUSUAL > self.longest.as_nanos() {
            return Clock::Doubtful(pause);
        }
        self.pauses.pause(pause);
        if pause > self.longest {
            (self.longest, self.longest_at) = (pause, Some(at));
        }
        Clock::Runs
    }

    #[cold]
    fn back(&mut self, back: Span) -> Clock {
        if self.owed.len() >= OWED
            && let Some((least, _)) = self.owed.iter().enumerate().min_by_key(|(_, owed)| owed.back)
        {
            self.owed.remove(least);
        }
        self.owed.push(Owed { back, is_left_out: false });
        let mut ahead_at = None;
        if self.longest.as_nanos() >= back.as_nanos() / 2 && self.pauses.is_unusual(self.longest) {
            // What passed for a pause was the way to the other clock.
            ahead_at = self.longest_at.filter(|_| self.longest.as_nanos() / 2 <= back.as_nanos());
            (self.longest, self.packets) = (Span::ZERO, 0);
        }
        Clock::Back { ahead_at }
    }

    /// What a pause is that is about as long as a step back that nothing has made good. Pauses that the capture has anyway are none.
    fn way_back(&mut self, pause: Span) -> Option<Clock> {
        let is_about = |owed: &Owed| {
            let [pause, back] = [pause, owed.back].map(Span::as_nanos);
            pause >= back / 2 && pause / 2 <= back
        };
        if self.pauses.is_unusual(pause) {
            let place = self.owed.iter().rposition(is_about)?;
            self.owed.remove(place);
            return Some(Clock::Ahead);
        }
        // Where the clocks of two interfaces are as far apart as packets were for a while, their ways would count as pauses for ever.
        let owed = self.owed.iter_mut().rfind(|owed| !owed.is_left_out && is_about(owed))?;
        owed.is_left_out = true;
        Some(Clock::Runs)
    }
}

impl Pauses {
    fn pause(&mut self, pause: Span) {
        let [longest, second] = self.longest;
        if pause > second {
            self.longest = if pause > longest { [pause, longest] } else { [longest, pause] };
        }
        self.packets = self.packets.saturating_add(1);
        if self.packets >= STRETCH {
            *self = Self { before: self.longest, ..Self::default() };
        }
    }

    /// Whether a pause is clearly longer than all of late but one: what came once may be no pause.
    fn is_unusual(&self, pause: Span) -> bool {
        let ([a, b], [c, d]) = (self.longest, self.before);
        // The second of the four.
        let usual = a.min(c).max(if a > c { b } else { d }).as_nanos();
        pause.as_nanos() > usual.saturating_add(usual / 4)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(us: i64) -> Location {
        Location { at: Instant::from_nanos(us * 1_000), file: 0, packet: us.unsigned_abs() }
    }

    /// What is not simply going on.
    fn told(clock: &mut CaptureClock, times: impl IntoIterator<Item = i64>) -> Vec<(i64, Clock)> {
        times.into_iter().map(|us| (us, clock.time(at(us)))).filter(|(_, told)| *told != Clock::Runs).collect()
    }

    const fn back() -> Clock {
        Clock::Back { ahead_at: None }
    }

    #[test]
    fn a_pause_in_the_whole_capture_is_doubtful() {
        let mut clock = CaptureClock::default();
        // A packet each 500 us, now and then one after 1 ms.
        let mut now = 0;
        for packet in 0..300 {
            now += if packet % 50 == 0 { 1_000 } else { 500 };
            assert_eq!(clock.time(at(now)), Clock::Runs);
        }
        assert_eq!(clock.time(at(now + 15_000)), Clock::Runs, "a hiccup, which counts from now on");
        assert_eq!(clock.time(at(now + 15_000 + 300_000)), Clock::Doubtful(Span::from_millis(300)));
        assert_eq!(clock.time(at(now + 15_000 + 300_500)), Clock::Runs);
    }

    /// Packets of two interfaces in turn, the clock of one 300 ms behind; a machine that stands still for longer is told all the same.
    #[test]
    fn two_clocks_are_told_from_pauses() {
        let mut clock = CaptureClock::default();
        let mut seen = Vec::new();
        for ms in (1_000..3_000).step_by(4) {
            seen.push([clock.time(at(ms * 1_000 - 300_000)), clock.time(at(ms * 1_000 + 1_000))]);
        }
        assert_eq!(seen.remove(0), [Clock::Runs; 2], "nothing has gone back yet");
        assert_eq!(seen.remove(0), [Clock::Back { ahead_at: Some(at(1_001_000)) }, Clock::Ahead], "it is known now");
        assert!(seen.into_iter().all(|both| both == [back(), Clock::Ahead]));
        assert_eq!(clock.time(at(5_000_000)), Clock::Runs);
    }

    /// At first the packets are as far apart as the clocks: once they are not, the ways between the clocks show.
    #[test]
    fn two_clocks_show_behind_a_slow_start() {
        let mut clock = CaptureClock::default();
        let mut now = 0;
        for _ in 0..40 {
            now += 800_000;
            assert_eq!(told(&mut clock, [now - 300_000, now + 400_000]), []);
        }
        now += 800_000;
        assert_eq!(clock.time(at(now + 2_000)), Clock::Runs);
        let mut unseen = 0;
        for _ in 0..4 * i64::from(STRETCH) {
            now += 4_000;
            assert_eq!(clock.time(at(now - 300_000)), back());
            assert_eq!(clock.time(at(now - 299_000)), Clock::Runs);
            unseen += usize::from(clock.time(at(now + 2_000)) != Clock::Ahead);
        }
        assert!(unseen <= 2 * usize::from(STRETCH), "{unseen}");
    }

    /// A packet each 2 or 4 ms.
    fn steady(from: i64, packets: i64) -> impl Iterator<Item = i64> {
        (0..packets).map(move |n| from + n * 3_000 + n % 2 * 1_000)
    }

    /// Two packets that have changed places, or a clock that is set back by a little, and nothing makes that good.
    #[test]
    fn usual_pauses_are_no_way_back() {
        for step in [100, 1_000, 2_500, 3_000, 4_000, 6_000, 8_000] {
            for before in [20, 100, 700, 5_000] {
                let mut clock = CaptureClock::default();
                assert_eq!(told(&mut clock, steady(0, before)), []);
                let now = before * 3_000 - step;
                let told = told(&mut clock, steady(now, 5_000));
                let expected = if step < 2_500 { vec![] } else { vec![(now, back())] };
                assert_eq!(told, expected, "{step} us back after {before} packets");
                // What the capture never had is judged as ever.
                let now = now + 5_000 * 3_000;
                assert_eq!(clock.time(at(now + 80_000)), Clock::Doubtful(Span::from_millis(82)), "{step}");
            }
        }
    }

    /// The clock is set back and ahead again: that is one way back, and the next pause as long is a pause.
    #[test]
    fn each_step_back_has_one_way_back() {
        for step in [12_000, 300_000] {
            let mut clock = CaptureClock::default();
            assert_eq!(told(&mut clock, steady(0, 500)), []);
            let set_back = 1_500_000 - step;
            assert_eq!(told(&mut clock, steady(set_back, 500)), [(set_back, back())]);
            let set_ahead = set_back + 1_500_000 + step;
            assert_eq!(told(&mut clock, steady(set_ahead, 500)), [(set_ahead, Clock::Ahead)]);
            let again = clock.time(at(set_ahead + 1_500_000 + step));
            assert!(matches!(again, Clock::Runs | Clock::Doubtful(_)), "{again:?}");
        }
    }

    /// A machine that stood still once for about as long as the clock is set back later.
    #[test]
    fn a_single_pause_is_not_usual() {
        let mut clock = CaptureClock::default();
        assert_eq!(told(&mut clock, steady(0, 30)), []);
        assert_eq!(told(&mut clock, steady(140_000, 500)), []);
        let set_back = 140_000 + 1_500_000 - 50_000;
        let set_ahead = set_back + 150_000 + 50_000;
        let expected = [(set_back, Clock::Back { ahead_at: Some(at(140_000)) }), (set_ahead, Clock::Ahead)];
        assert_eq!(told(&mut clock, steady(set_back, 50).chain(steady(set_ahead, 50))), expected);
    }

    /// Clocks that are less than a usual pause apart: they go back, and no pause is taken for the way.
    #[test]
    fn two_clocks_that_are_close_swallow_no_pause() {
        let mut clock = CaptureClock::default();
        let mut ahead = 0;
        for n in 0..5_000 {
            // Two packets of the clock that is 1 ms ahead, then at once one of the other, each 4 ms.
            let now = n * 4_000;
            let told = [now, now + 1_100, now + 200].map(|us| clock.time(at(us)));
            assert!(matches!(told[2], Clock::Back { .. }));
            ahead += told.iter().filter(|told| **told == Clock::Ahead).count();
        }
        assert!(ahead <= 1, "{ahead}");
    }
}
