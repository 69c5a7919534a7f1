//! Notes what passes on a connection, and keeps it when the connection is lost.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::line::LineRecord;
use super::{Content, LOSSES, Loss, Others, SIGNS, Sign, Stretch};
use crate::check::both::Both;
use crate::check::finding::Location;
use crate::machine::{Carrier, Connection, Direction, Profile};
use crate::time::{Instant, Span};

const BOTH: [Direction; 2] = [Direction::ToDevice, Direction::ToHost];

/// Records one connection.
#[derive(Debug)]
pub(in crate::check) struct Recorder {
    connection: usize,
    lines: Both<LineRecord>,
    /// A quarter of the watchdog: shorter gaps of the carrier explain nothing. Nanoseconds.
    least: i64,
    watchdog: Span,
    /// Kind of carrier.
    carrier: Both<std::mem::Discriminant<Carrier>>,
    is_device_unasked: bool,
    /// Directions in which the watchdog runs during operation.
    supervised: Both<bool>,
    fail_safe: Both<bool>,
    running: bool,
    /// Whether the last of `losses` is not over yet.
    open: bool,
    /// Directions in which process data came since its sign.
    ran: Both<bool>,
    losses: Vec<Loss>,
    omitted: u64,
    capture_gap: Option<Stretch>,
    /// The newest loss waits for what the other connections did.
    looks_around: bool,
}

crate::saved::resume!(Recorder {
    plain: lines, fail_safe, running, open, ran, losses, omitted, capture_gap, looks_around;
    nested: ;
    fixed: connection, least, watchdog, carrier, is_device_unasked, supervised
});

/// From when to when the others are looked at, for each direction; and the kind of carrier.
#[derive(Clone, Copy, Debug)]
pub(in crate::check) struct Window {
    from: Both<Option<Instant>>,
    to: Both<Instant>,
    carrier: Both<std::mem::Discriminant<Carrier>>,
}

impl Recorder {
    pub(in crate::check) fn new(index: usize, connection: &Connection) -> Self {
        let supervised = match &connection.profile {
            Profile::Fscp2_1(p) => {
                Both { to_device: p.is_data(Direction::ToDevice), to_host: p.is_data(Direction::ToHost) }
            }
            _ => Both { to_device: true, to_host: true },
        };
        Self {
            connection: index,
            lines: Both::default(),
            least: connection.watchdog.as_nanos() / 4,
            watchdog: connection.watchdog,
            carrier: Both {
                to_device: kind(&connection.to_device.carrier),
                to_host: kind(&connection.to_host.carrier),
            },
            is_device_unasked: connection.profile.is_device_unasked(),
            supervised,
            fail_safe: Both::default(),
            running: false,
            open: false,
            ran: Both::default(),
            losses: Vec::new(),
            omitted: 0,
            capture_gap: None,
            looks_around: false,
        }
    }

    /// A frame with a place for the telegrams of `direction` passed.
    #[inline(always)]
    pub(in crate::check) fn frame(&mut self, direction: Direction, at: Location) {
        self.lines.of_mut(direction).frame(at, self.least);
    }

    /// A new telegram in that frame.
    #[inline(always)]
    pub(in crate::check) fn telegram(
        &mut self,
        direction: Direction,
        at: Location,
        content: Content,
        number: Option<u32>,
    ) {
        self.lines.of_mut(direction).telegram(at, content, number);
    }

    /// Whether it has to be asked if process data run both ways.
    pub(in crate::check) const fn waits_for_operation(&self) -> bool {
        self.open || !self.running
    }

    /// A telegram with `content` came. `supervised`: whether the watchdog runs since the last telegram of a direction.
    pub(in crate::check) fn look_for_operation(
        &mut self,
        (direction, content): (Direction, Content),
        supervised: impl Fn(Direction) -> bool,
        at: Location,
    ) {
        *self.ran.of_mut(direction) |= content == Content::Process;
        // Behind a hole of the capture the watchdog of a direction runs on before its first telegram.
        let has_run = |direction| supervised(direction) && (!self.open || *self.ran.of(direction));
        let runs =
            |direction| !*self.fail_safe.of(direction) && (has_run(direction) || !*self.supervised.of(direction));
        if !BOTH.into_iter().all(runs) || self.lines.to_device.last().is_none() || self.lines.to_host.last().is_none() {
            return;
        }
        self.running = true;
        if std::mem::take(&mut self.open)
            && let Some(loss) = self.losses.last_mut()
        {
            loss.resumed = Some(at);
        }
    }

    /// Fail-safe values begin or end.
    pub(in crate::check) const fn fail_safe(&mut self, direction: Direction, begins: bool) {
        *self.fail_safe.of_mut(direction) = begins;
    }

    /// The counters of the carrier show that the capture lost packets up to `at`, or its clock went back there.
    pub(in crate::check) fn capture_gap(&mut self, at: Location) {
        self.capture_gap_since(None, at);
    }

    /// The same where a telegram shows it: the gap lies behind the telegram before it, `last`, perhaps long before `at`.
    pub(in crate::check) fn capture_gap_since(&mut self, last: Option<Location>, at: Location) {
        let last = BOTH
            .into_iter()
            .filter_map(|direction| self.lines.of(direction).last_frame())
            .chain(last)
            .min_by_key(|from| from.at);
        let Some(from) = last else { return };
        // Behind a step back the carriers' counters fit no more: that is the same gap.
        let since = self.capture_gap.filter(Stretch::is_back).map(|gap| at.at.since(gap.to.at));
        if since.is_some_and(|since| (Span::ZERO..=self.watchdog).contains(&since)) {
            return;
        }
        // What is lost in pieces is one gap.
        let from = self.capture_gap.filter(|gap| gap.to.at >= from.at).map_or(from, |gap| gap.from);
        self.capture_gap = Some(Stretch { from, to: at });
    }

    /// Something shows that the connection is lost.
    pub(in crate::check) fn sign(&mut self, direction: Direction, at: Location, sign: Sign) {
        if self.open {
            if let Some(loss) = self.losses.last_mut().filter(|loss| loss.further.len() < SIGNS) {
                loss.further.push((direction, at, sign));
            }
            return;
        }
        // What precedes the first operation is the start-up, unless a telegram names an error.
        if !self.running && !matches!(sign, Sign::Told(_)) {
            return;
        }
        if self.losses.len() >= LOSSES {
            self.omitted = self.omitted.saturating_add(1);
            return;
        }
        self.open = true;
        self.ran = Both::default();
        self.looks_around = true;
        self.losses.push(Loss {
            connection: self.connection,
            sign,
            direction,
            location: at,
            was_running: self.running,
            further: Vec::new(),
            resumed: None,
            to_device: self.lines.to_device.recent(at, self.least),
            to_host: self.lines.to_host.recent(at, self.least),
            capture_gap: self.capture_gap,
            others: Others::default(),
        });
    }

    /// Over which time the newest loss wants to know what the others did.
    pub(in crate::check) fn takes_look(&mut self) -> Option<Window> {
        if !std::mem::take(&mut self.looks_around) {
            return None;
        }
        let loss = self.losses.last()?;
        let from = |direction| loss.recent(direction).telegrams.last().map(|seen| seen.location.at);
        // What follows a watchdog time later may be the consequence.
        let to = |direction| {
            let end = from(direction).and_then(|from| from.checked_add(self.watchdog));
            end.map_or(loss.location.at, |end| end.min(loss.location.at))
        };
        Some(Window {
            from: Both { to_device: from(Direction::ToDevice), to_host: from(Direction::ToHost) },
            to: Both { to_device: to(Direction::ToDevice), to_host: to(Direction::ToHost) },
            carrier: self.carrier,
        })
    }

    /// Whether the newest loss waits for that.
    pub(in crate::check) const fn looks_around(&self) -> bool {
        self.looks_around
    }

    /// Adds what this connection did over `window` to what the others did.
    pub(in crate::check) fn tell(&self, window: &Window, others: &mut Others) {
        let (from, carrier) = (window.from.to_device, window.carrier.to_device);
        // It may be lost already by what the other is about to be lost by.
        let lost = self.losses.last().filter(|loss| loss.was_running).map(|loss| loss.location.at);
        let ran = self.running || from.is_some_and(|from| lost >= Some(from));
        if ran && self.is_device_unasked && self.carrier.to_host == carrier {
            others.devices_unasked = others.devices_unasked.saturating_add(1);
        }
        if !self.running {
            return;
        }
        others.connections = others.connections.saturating_add(1);
        let went_on = |direction| {
            let from = *window.from.of(direction);
            let to = *window.to.of(direction);
            from.is_some_and(|from| self.lines.of(direction).went_on(from, to) == Some(true))
        };
        others.hosts_on = others.hosts_on.saturating_add(u32::from(went_on(Direction::ToDevice)));
        others.devices_on = others.devices_on.saturating_add(u32::from(went_on(Direction::ToHost)));
        let counts = others.same_carrier.iter_mut().zip(&mut others.same_carrier_on);
        for (silent, (same, on)) in BOTH.into_iter().zip(counts) {
            let (from, to) = (*window.from.of(silent), *window.to.of(silent));
            // A way whose frames are rarer than the window is long says nothing about it.
            let shared = |way: &Direction| {
                self.carrier.of(*way) == window.carrier.of(silent)
                    && from.is_none_or(|from| self.lines.of(*way).is_dense(to.since(from)))
            };
            let frames_on = |way: Direction| from.is_some_and(|from| self.lines.of(way).frames_went_on(from, to));
            *same = same.saturating_add(u32::from(BOTH.iter().any(shared)));
            *on = on.saturating_add(u32::from(BOTH.into_iter().filter(shared).any(frames_on)));
        }
    }

    /// What the others did belongs to the newest loss.
    pub(in crate::check) fn others(&mut self, others: Others) {
        if let Some(loss) = self.losses.last_mut() {
            loss.others = others;
        }
    }

    /// Everything kept, and how many losses were not.
    pub(in crate::check) fn finish(self) -> (Vec<Loss>, u64) {
        (self.losses, self.omitted)
    }
}

/// Kind of carrier: the places of Type 12 share one segment.
fn kind(carrier: &Carrier) -> std::mem::Discriminant<Carrier> {
    match carrier {
        Carrier::Type12Memory { .. } => {
            std::mem::discriminant(&Carrier::Type12Logical { address: 0, working_counter: None })
        }
        other => std::mem::discriminant(other),
    }
}
