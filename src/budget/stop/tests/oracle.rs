//! A stop by stepping through time in floating point: nothing of the closed forms is used. A step integrates constant
//! jerk; where something happens inside a step, bisection finds the moment. The end of a jerk-limited ramp isn't known
//! beforehand: the simulated drive releases its deceleration as soon as the rest just suffices to reach standstill.

use super::*;
use proptest::prelude::*;

const STEP: f64 = 1e-3;

/// Seconds, metres (rotary: degrees).
#[derive(Clone, Copy)]
struct State {
    t: f64,
    s: f64,
    v: f64,
    a: f64,
}

impl State {
    fn after(self, jerk: f64, h: f64) -> Self {
        Self {
            t: self.t + h,
            s: self.s + h * (self.v + h * (self.a / 2.0 + h * jerk / 6.0)),
            v: self.v + h * (self.a + h * jerk / 2.0),
            a: self.a + h * jerk,
        }
    }

    /// Runs until `happened`, which stays true once it is.
    fn until(mut self, jerk: f64, happened: impl Fn(&Self) -> bool) -> Self {
        if happened(&self) {
            return self;
        }
        loop {
            let next = self.after(jerk, STEP);
            if happened(&next) {
                break;
            }
            self = next;
        }
        let (mut before, mut behind) = (0.0, STEP);
        for _ in 0..80 {
            let middle = f64::midpoint(before, behind);
            if happened(&self.after(jerk, middle)) { behind = middle } else { before = middle }
        }
        self.after(jerk, behind)
    }

    fn with(self, a: f64) -> Self {
        Self { a, ..self }
    }

    /// Accelerates until `done`, but at constant speed from `limit` on.
    fn driven(self, a: f64, limit: f64, done: impl Fn(&Self) -> bool) -> Self {
        self.with(a).until(0.0, |x| done(x) || x.v >= limit).with(0.0).until(0.0, done)
    }

    fn braked(self, a: f64) -> Self {
        self.with(-a).until(0.0, |x| x.v <= 0.0)
    }

    fn ramped(self, a: f64, jerk: Option<f64>) -> Self {
        let Some(j) = jerk else { return self.braked(a) };
        let enough = |x: &Self| x.v <= x.a * x.a / (2.0 * j);
        let gripping = self.with(0.0).until(-j, |x| x.a <= -a || enough(x));
        gripping.until(0.0, enough).until(j, |x| x.a >= 0.0)
    }
}

#[expect(clippy::cast_precision_loss, reason = "the oracle works in floating point")]
fn si(nano: i64) -> f64 {
    nano as f64 / 1e9
}

fn pull(motion: Motion) -> f64 {
    match motion {
        Motion::Horizontal => 0.0,
        Motion::Vertical => 9.80665,
        Motion::Rotary { pull } => si(pull.as_nano()),
    }
}

fn net(force: BrakeForce, motion: Motion) -> f64 {
    match (force, motion) {
        (BrakeForce::Deceleration(a), _) => si(a.as_nano()),
        (BrakeForce::Ratio(k), Motion::Vertical) => si(k.as_nano()) * 9.80665 - 9.80665,
        (BrakeForce::Ratio(k), _) => si(k.as_nano()) * 9.80665,
    }
}

/// (total time, total travel) in seconds and metres. `slack` makes the axis faster and its brake weaker by that many
/// nano-units, to bound what the rounding between the phases may cost.
fn simulate(axis: &Axis, speed: Speed, reaction: Span, function: &StopFunction, slack: f64) -> (f64, f64) {
    let slack = slack * 1e-9;
    let limit = si(axis.max_speed.as_nano()) + 3.0 * slack;
    let fault = si(axis.fault_acceleration.as_nano());
    let pull = pull(axis.motion);
    let free = |x: State, span: Span| {
        let end = x.t + si(span.as_nanos());
        x.driven(fault, limit, |x| x.t >= end)
    };
    let torque_off = |x: State| {
        let Some(brake) = axis.brake else { return x.braked(si(axis.coast.unwrap().as_nano())) };
        let closed = x.t + si(brake.engage.as_nanos());
        x.with(pull).until(0.0, |x| x.t >= closed).braked(net(brake.force, axis.motion) - slack)
    };
    let monitored = |x: State, delay: Span, ramp: Ramp| {
        let end = x.t + si(delay.as_nanos());
        let x = x.with(0.0).until(0.0, |x| x.t >= end);
        State { v: 0.0, ..x.ramped(si(ramp.deceleration.as_nano()), ramp.jerk.map(|j| si(j.as_nano()))) }
    };
    let start = State { t: 0.0, s: 0.0, v: si(speed.as_nano()) + 3.0 * slack, a: 0.0 };
    let x = free(start, reaction);
    let end = match *function {
        StopFunction::Sto => torque_off(x),
        StopFunction::Ss1R { delay, ramp } if pull > 0.0 => torque_off(monitored(x, delay, ramp)),
        StopFunction::Ss1R { delay, ramp } => monitored(x, delay, ramp),
        StopFunction::Ss1T { delay } => torque_off(free(x, delay)),
        StopFunction::Ss2R { delay, ramp, window } => {
            let x = monitored(x, delay, ramp);
            State { s: x.s + si(window.as_nano()), ..x }
        }
        StopFunction::Ss2T { delay, window } => {
            let x = free(x, delay);
            let edge = x.s + si(window.as_nano());
            torque_off(x.driven(fault, limit, |x| x.s >= edge))
        }
    };
    (end.t, end.s)
}

fn axes() -> impl Strategy<Value = (Axis, Speed)> {
    let motion = prop_oneof![
        Just(Motion::Horizontal),
        Just(Motion::Vertical),
        (0_i64..5_000_000_000).prop_map(|pull| Motion::Rotary { pull: Acceleration::from_nano(pull) }),
    ];
    let speeds = (1_000_000_i64..4_000_000_000, 0_i64..2_000_000_000);
    let brake = (0_i64..200_000_000, 1_050_000_000_i64..4_000_000_000, 300_000_000_i64..20_000_000_000);
    (motion, speeds, 0_i64..12_000_000_000, brake, any::<[bool; 2]>()).prop_map(
        |(motion, (v, more), fault, (engage, ratio, a), [declared, coasts])| {
            let rotary = matches!(motion, Motion::Rotary { .. });
            let force = if declared || rotary {
                BrakeForce::Deceleration(Acceleration::from_nano(a))
            } else {
                BrakeForce::Ratio(ForceRatio::from_nano(ratio))
            };
            let coasting = coasts && motion == Motion::Horizontal;
            let axis = Axis {
                motion,
                max_speed: Speed::from_nano(v + more),
                fault_acceleration: Acceleration::from_nano(fault),
                brake: (!coasting).then_some(Brake { engage: Span::from_nanos(engage), force }),
                coast: coasting.then_some(Acceleration::from_nano(a)),
            };
            (axis, Speed::from_nano(v))
        },
    )
}

fn functions() -> impl Strategy<Value = StopFunction> {
    let delay = || (0_i64..400_000_000).prop_map(Span::from_nanos);
    let window = || (0_i64..20_000_000).prop_map(Travel::from_nano);
    let ramp = || {
        let jerk = prop::option::of((1_000_000_000_i64..500_000_000_000).prop_map(Jerk::from_nano));
        (300_000_000_i64..20_000_000_000, jerk)
            .prop_map(|(a, jerk)| Ramp { deceleration: Acceleration::from_nano(a), jerk })
    };
    prop_oneof![
        Just(StopFunction::Sto),
        (delay(), ramp()).prop_map(|(delay, ramp)| StopFunction::Ss1R { delay, ramp }),
        delay().prop_map(|delay| StopFunction::Ss1T { delay }),
        (delay(), ramp(), window()).prop_map(|(delay, ramp, window)| StopFunction::Ss2R { delay, ramp, window }),
        (delay(), window()).prop_map(|(delay, window)| StopFunction::Ss2T { delay, window }),
    ]
}

proptest! {
    /// Never below the simulation; above it by at most two units a phase and the speed's own rounding. The time in a
    /// standstill window falls with the speed, so there only the travel is compared.
    #[test]
    fn closed_forms_enclose_the_simulation(
        (axis, speed) in axes(), reaction in 0_i64..300_000_000, function in functions()
    ) {
        let reaction = Span::from_nanos(reaction);
        let s = stop(&axis, speed, reaction, &function).unwrap();
        let (time, travel) = simulate(&axis, speed, reaction, &function, 0.0);
        let (slower, farther) = simulate(&axis, speed, reaction, &function, 1.0);
        let noise = |x: f64| 0.2e-9 + 1e-12 * x;
        let units = 2e-9 * f64::from(u8::try_from(s.phases.len()).unwrap());
        let got = si(s.travel.as_nano());
        prop_assert!(got >= travel - noise(travel) && got <= farther + units + noise(travel), "{got} {travel} {farther}");
        if !matches!(function, StopFunction::Ss2T { .. }) {
            let got = si(s.total_time.as_nanos());
            prop_assert!(got >= time - noise(time) && got <= slower + units + noise(time), "{got} {time} {slower}");
        }
    }

    /// Crossing a window alone: the end speed from above; the time from above, and tight unless the limit is met.
    #[test]
    fn window_encloses_the_simulation(
        v in 1_000_000_i64..1_000_000_000, a in 0_i64..12_000_000_000, w in 0_i64..20_000_000, more in 0_i64..500_000_000
    ) {
        let limit = v + more;
        let (start, window, fault) = (Speed::from_nano(v), Travel::from_nano(w), Acceleration::from_nano(a));
        let p = cross_window(start, fault, window, Speed::from_nano(limit)).unwrap();
        let state = State { t: 0.0, s: 0.0, v: si(v), a: 0.0 };
        let end = state.driven(si(a), si(limit), |x| x.s >= si(w));
        let (time, end_speed) = (si(p.time.as_nanos()), si(p.end_speed.as_nano()));
        prop_assert!(time >= end.t - 1e-10 && end_speed >= end.v - 1e-10 && end_speed <= end.v + 2e-9);
        if end_speed < si(limit) {
            prop_assert!(time <= end.t * (1.0 + 2e-6) + 2e-9, "{time} {}", end.t);
        }
    }

    /// A faster axis, a longer reaction or a longer delay never stops earlier or nearer.
    #[test]
    fn worse_input_never_gives_a_better_stop(
        (axis, speed) in axes(), reaction in 0_i64..300_000_000, function in functions(),
        faster in 0_i64..1_000_000_000, longer in 0_i64..100_000_000
    ) {
        let later = |span: Span| span.checked_add(Span::from_nanos(longer)).unwrap();
        let reaction = Span::from_nanos(reaction);
        let base = stop(&axis, speed, reaction, &function).unwrap();
        let quick = Axis { max_speed: Speed::from_nano(axis.max_speed.as_nano() + faster), ..axis };
        let speed_up = Speed::from_nano(speed.as_nano() + faster);
        let delayed = match function {
            StopFunction::Sto => StopFunction::Sto,
            StopFunction::Ss1R { delay, ramp } => StopFunction::Ss1R { delay: later(delay), ramp },
            StopFunction::Ss1T { delay } => StopFunction::Ss1T { delay: later(delay) },
            StopFunction::Ss2R { delay, ramp, window } => StopFunction::Ss2R { delay: later(delay), ramp, window },
            StopFunction::Ss2T { delay, window } => StopFunction::Ss2T { delay: later(delay), window },
        };
        for worse in [
            stop(&quick, speed_up, reaction, &function),
            stop(&axis, speed, later(reaction), &function),
            stop(&axis, speed, reaction, &delayed),
        ] {
            let worse = worse.unwrap();
            prop_assert!(worse.travel >= base.travel);
            if !matches!(function, StopFunction::Ss2T { .. }) {
                prop_assert!(worse.total_time >= base.total_time);
            }
        }
    }
}
