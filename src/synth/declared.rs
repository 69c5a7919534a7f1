//! Host and device of a connection with declared layouts: each sends a new telegram in every task cycle in which the partner's
//! last one has arrived, and counts; nobody answers errors, because a layout does not say how.

#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, clippy::indexing_slicing))]

use super::dice::Dice;
use super::endpoint::{Input, Outcome, Sent};
use super::plan::FaultKind;
use crate::machine::DeclaredDirection;
use crate::telegram::declared::{Field, Kind, Place, Values};

/// What an end knows.
#[derive(Clone, Debug)]
pub(super) struct Settings {
    pub(super) own: DeclaredDirection,
    pub(super) partner: DeclaredDirection,
    /// Values of the ids that the machine file calls unknown.
    pub(super) secret: u32,
    /// When the end is ready, in nanoseconds from the start.
    pub(super) ready: i64,
    /// Whether it begins, or waits for the partner's first telegram.
    pub(super) begins: bool,
    /// After so many nanoseconds without a new telegram the host sends all the same.
    pub(super) watchdog: i64,
    /// Nanoseconds after which the carrier has certainly taken what was sent.
    pub(super) pause: i64,
}

/// One end.
pub(super) struct End {
    settings: Settings,
    /// What the next telegram bears.
    values: Values,
    /// What the partner's telegrams bear.
    partner_values: Values,
    seen: Vec<u8>,
    heard: bool,
    sent_at: Option<i64>,
    /// A telegram of the partner waits for its answer.
    owes: bool,
    /// What the last telegram bears, and the one before it.
    sent: [Option<Values>; 2],
}

impl End {
    pub(super) fn new(settings: Settings) -> Self {
        let secret = |direction: &DeclaredDirection| {
            let mut values = direction.values();
            for field in direction.unknown() {
                let bits = direction.layout.fields().get(field).map_or(0, |field| field.bits);
                let mask = u32::MAX.checked_shr(32_u32.saturating_sub(bits)).unwrap_or(u32::MAX);
                values.set(field, settings.secret & mask);
            }
            values
        };
        let (values, partner_values) = (secret(&settings.own), secret(&settings.partner));
        Self {
            settings,
            values,
            partner_values,
            seen: Vec::new(),
            heard: false,
            sent_at: None,
            owes: false,
            sent: [None, None],
        }
    }

    pub(super) const fn is_running(&self) -> bool {
        self.heard && self.sent_at.is_some()
    }

    /// Begins anew at `ready`, knowing nothing.
    pub(super) fn power_up(&mut self, ready: i64) {
        *self = Self::new(Settings { ready, ..self.settings.clone() });
    }

    /// The telegram just sent with a toggle bit that does not go with its number.
    pub(super) fn mistoggled(&self, telegram: &[u8], early: bool) -> Option<Vec<u8>> {
        let layout = &self.settings.own.layout;
        let data: Vec<u8> = layout.parse(telegram).ok()?.safe_data().collect();
        let [Some(last), Some(before)] = &self.sent else { return None };
        let mut values = last.clone();
        for (index, field) in layout.fields().iter().enumerate() {
            match field.kind {
                Kind::Toggle if !early => values.set(index, values.get(index) ^ 1),
                Kind::Counter(_) if early => values.set(index, before.get(index)),
                _ => {}
            }
        }
        let mut octets = Vec::new();
        layout.emit(&data, &values, &mut octets);
        Some(octets)
    }

    pub(super) fn run(&mut self, input: &Input<'_>) -> Outcome {
        if input.now < self.settings.ready {
            return Outcome::default();
        }
        let taken = self.take(input.arrived);
        let waits = self.sent_at.is_none_or(|at| input.now.saturating_sub(at) < self.settings.watchdog / 2);
        let is_first = self.settings.begins && self.sent_at.is_none();
        self.owes |= taken.is_some();
        // A telegram that was lost or spoiled must not end the exchange.
        if !self.owes && (!is_first && (waits || !self.settings.begins)) {
            return Outcome::default();
        }
        // Behind a repeated telegram two exchanges may be under way: the second must not take the place of the first before the
        // carrier has had it.
        if self.sent_at.is_some_and(|at| input.now.saturating_sub(at) < self.settings.pause) {
            return Outcome { sent: None, taken };
        }
        self.owes = false;
        let octets = self.write(input.data, input.now);
        let [last, before] = &mut self.sent;
        *before = last.replace(self.values.clone());
        self.step();
        self.sent_at = Some(input.now);
        Outcome { sent: Some(Sent::new(octets, true)), taken }
    }

    /// The safe data of a telegram that has not been there and bears the partner's ids.
    fn take(&mut self, arrived: &[u8]) -> Option<Vec<u8>> {
        if arrived == self.seen {
            return None;
        }
        arrived.clone_into(&mut self.seen);
        let layout = &self.settings.partner.layout;
        let telegram = layout.parse(arrived).ok().filter(|telegram| !telegram.is_empty())?;
        let is_right = |(index, field): (usize, &Field)| match field.kind {
            Kind::Constant { .. } | Kind::Id { .. } if field.place != Place::Virtual => {
                telegram.value(index) == Some(self.partner_values.get(index))
            }
            _ => true,
        };
        if !layout.fields().iter().enumerate().all(is_right) {
            return None;
        }
        for (index, field) in self.settings.own.layout.fields().iter().enumerate() {
            if let Kind::Inherited { of } = &field.kind
                && let Some(crc) = layout.field(of).and_then(|of| telegram.value(of))
            {
                self.values.set(index, crc);
            }
        }
        self.heard = true;
        Some(telegram.safe_data().collect())
    }

    fn write(&mut self, data: &[u8], now: i64) -> Vec<u8> {
        for (index, field) in self.settings.own.layout.fields().iter().enumerate() {
            if let Kind::Time { unit } = field.kind {
                let steps = now.checked_div_euclid(unit.as_nanos()).unwrap_or_default();
                let low = u32::try_from(steps.rem_euclid(1 << 32)).unwrap_or_default();
                self.values.set(index, low);
            }
        }
        let mut octets = Vec::new();
        self.settings.own.layout.emit(data, &self.values, &mut octets);
        octets
    }

    fn step(&mut self) {
        step(&self.settings.own, &mut self.values);
    }

    /// Sends the telegram after the one just sent; the sender goes on behind it.
    pub(super) fn successor(&mut self, data: &[u8]) -> Vec<u8> {
        let mut octets = Vec::new();
        self.settings.own.layout.emit(data, &self.values, &mut octets);
        self.step();
        octets
    }
}

/// Counter and toggle go on by one telegram.
fn step(direction: &DeclaredDirection, values: &mut Values) {
    for (index, field) in direction.layout.fields().iter().enumerate() {
        match field.kind {
            Kind::Counter(counter) => values.set(index, counter.next(values.get(index))),
            Kind::Toggle => values.set(index, values.get(index) ^ 1),
            _ => {}
        }
    }
}

/// Whether telegrams of this direction show a fault of this kind.
pub(super) fn shows(direction: &DeclaredDirection, kind: FaultKind) -> bool {
    let fields = direction.layout.fields();
    let counts = fields.iter().any(|field| matches!(field.kind, Kind::Counter(_)));
    let inherits = fields.iter().any(|field| matches!(field.kind, Kind::Inherited { .. }));
    let on_wire = |wanted: fn(&Kind) -> bool| fields.iter().any(|f| wanted(&f.kind) && f.place != Place::Virtual);
    match kind {
        FaultKind::UnacceptableDelay
        | FaultKind::TapLoss
        | FaultKind::BusGap
        | FaultKind::HostStall
        | FaultKind::DeviceStall
        | FaultKind::SlowPace
        | FaultKind::CaptureGap => true,
        // The ends go on whatever happens, but one telegram that is not taken ends a chain.
        _ if inherits => false,
        FaultKind::Corruption | FaultKind::CorruptionBurst => true,
        FaultKind::UnintendedRepetition | FaultKind::IncorrectSequence | FaultKind::Loss => counts,
        FaultKind::Insertion => on_wire(|kind| matches!(kind, Kind::Id { .. })) && direction.unknown().next().is_none(),
        FaultKind::Masquerade => on_wire(|kind| matches!(kind, Kind::Id { .. } | Kind::Constant { .. })),
        FaultKind::Addressing => direction.keys.iter().any(|key| key.value.is_some()),
        _ => false,
    }
}

/// Whether telegrams of this direction have a toggle bit that must go with a number.
pub(super) fn toggles(direction: &DeclaredDirection) -> bool {
    let has = |wanted: fn(&Kind) -> bool| direction.layout.fields().iter().any(|field| wanted(&field.kind));
    has(|kind| matches!(kind, Kind::Toggle)) && has(|kind| matches!(kind, Kind::Counter(_)))
}

/// Octets whose change only a CRC or complement shows: data, CRCs, complements.
pub(super) fn checked_octets(direction: &DeclaredDirection) -> Vec<usize> {
    let layout = &direction.layout;
    let is_checked = |kind: &Kind| matches!(kind, Kind::Data | Kind::Crc(_) | Kind::Complement { .. });
    let fields = layout.fields().iter().enumerate().filter(|(_, field)| is_checked(&field.kind));
    fields.filter_map(|(index, _)| layout.octets(index)).flatten().collect()
}

/// A well-formed telegram with an id on the wire that is in none of `taken`, and the id.
pub(super) fn inserted(direction: &DeclaredDirection, taken: &[u32], data: &[u8], dice: &mut Dice) -> (Vec<u8>, u32) {
    let mut values = direction.values();
    let fields = direction.layout.fields();
    let id = fields.iter().position(|f| matches!(f.kind, Kind::Id { .. }) && f.place != Place::Virtual);
    let id = id.unwrap_or_default();
    let bits = fields.get(id).map_or(8, |field| field.bits);
    let mut other = values.get(id);
    while other == values.get(id) || taken.contains(&other) {
        let random = u32::from(dice.word()) << 16 | u32::from(dice.word());
        other = random.checked_shr(32_u32.saturating_sub(bits)).unwrap_or_default();
    }
    values.set(id, other);
    let mut octets = Vec::new();
    direction.layout.emit(data, &values, &mut octets);
    (octets, other)
}

/// Octets in which no constant and no id is right.
pub(super) fn masqueraded(direction: &DeclaredDirection, dice: &mut Dice) -> Vec<u8> {
    let (layout, values) = (&direction.layout, direction.values());
    let fields = layout.fields();
    loop {
        let octets: Vec<u8> = (0..direction.length).map(|_| dice.octet()).collect();
        let is_right = |(index, field): (usize, &Field)| {
            matches!(field.kind, Kind::Constant { .. } | Kind::Id { .. })
                && layout.parse(&octets).is_ok_and(|telegram| telegram.value(index) == Some(values.get(index)))
        };
        if !fields.iter().enumerate().any(is_right) {
            return octets;
        }
    }
}
