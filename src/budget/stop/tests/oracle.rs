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
        Motion::Vertical | Motion::Upward => 9.80665,
        Motion::Rotary { pull } => si(pull.as_nano()),
    }
}

fn net(force: BrakeForce, motion: Motion) -> f64 {
    match (force, motion) {
        (BrakeForce::Deceleration(a), _) => si(a.as_nano()),
        (BrakeForce::Ratio(k), Motion::Vertical | Motion::Upward) => si(k.as_nano()) * 9.80665 - 9.80665,
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
        let mut x = x;
        if axis.motion == Motion::Upward {
            // Up against gravity, braked on the way if the brake closes before the axis rests; then as from rest.
            let closed = x.t + si(brake.engage.as_nanos());
            let twice = if matches!(brake.force, BrakeForce::Ratio(_)) { 2.0 * pull } else { 0.0 };
            let rising = x.with(-pull).until(0.0, |x| x.t >= closed || x.v <= 0.0);
            x = State { v: 0.0, ..rising.braked(net(brake.force, axis.motion) + twice - slack) };
        }
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

/// (time behind the reaction, total travel) of a drive that keeps to its ramp for `kept` seconds and is then out of control.
fn leave_ramp(
    axis: &Axis,
    speed: Speed,
    reaction: Span,
    (delay, ramp): (Span, Ramp),
    detection: Span,
    kept: f64,
) -> (f64, f64) {
    let limit = si(axis.max_speed.as_nano());
    let (a, j) = (si(ramp.deceleration.as_nano()), ramp.jerk.map(|j| si(j.as_nano())));
    let start = State { t: 0.0, s: 0.0, v: si(speed.as_nano()), a: 0.0 };
    let x = start.driven(si(axis.fault_acceleration.as_nano()), limit, |x| x.t >= si(reaction.as_nanos()));
    let end = x.t + si(delay.as_nanos());
    let x = x.with(0.0).until(0.0, |x| x.t >= end);
    let leaves = x.t + kept;
    let x = match j {
        None => x.with(-a).until(0.0, |x| x.v <= 0.0 || x.t >= leaves),
        Some(j) => {
            let over = |x: &State| x.t >= leaves;
            let enough = |x: &State| x.v <= x.a * x.a / (2.0 * j);
            let gripping = x.with(0.0).until(-j, |x| over(x) || x.a <= -a || enough(x));
            gripping.until(0.0, |x| over(x) || enough(x)).until(j, |x| over(x) || x.a >= 0.0)
        }
    };
    let noticed = x.t + si(detection.as_nanos());
    let x = State { v: x.v.max(0.0), ..x };
    let x = x.driven(si(axis.fault_acceleration.as_nano()), limit, |x| x.t >= noticed);
    let end = match axis.brake {
        None => x.braked(si(axis.coast.unwrap().as_nano())),
        Some(brake) => {
            let closed = x.t + si(brake.engage.as_nanos());
            x.with(pull(axis.motion)).until(0.0, |x| x.t >= closed).braked(net(brake.force, axis.motion))
        }
    };
    (end.t - si(reaction.as_nanos()), end.s)
}

fn axes() -> impl Strategy<Value = (Axis, Speed)> {
    let motion = prop_oneof![
        Just(Motion::Horizontal),
        Just(Motion::Vertical),
        Just(Motion::Upward),
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

    /// An axis that moves up at any speed up to the declared one stays within the bound, and that within the one for
    /// moving down: the flight itself, where the brake closes once.
    #[test]
    fn upward_bound_holds_for_every_slower_speed(
        v in 0_i64..3_000_000_000, engage in 0_i64..300_000_000, ratio in 1_050_000_000_i64..4_000_000_000, share in 0.0..=1.0_f64
    ) {
        let mut axis = lift(ratio, "0 ms");
        axis.max_speed = Speed::from_nano(3_000_000_000);
        axis.brake = axis.brake.map(|brake| Brake { engage: Span::from_nanos(engage), ..brake });
        let of = |motion| stop(&Axis { motion, ..axis }, Speed::from_nano(v), Span::ZERO, &StopFunction::Sto).unwrap();
        let (up, down) = (of(Motion::Upward), of(Motion::Vertical));
        prop_assert!(up.travel.as_nano() <= down.travel.as_nano() + 4 && up.highest_speed() <= down.highest_speed());
        let (g, k, closed) = (9.80665, si(ratio), si(engage));
        let start = State { t: 0.0, s: 0.0, v: si(v) * share, a: 0.0 };
        let rising = start.with(-g).until(0.0, |x| x.t >= closed || x.v <= 0.0);
        let end = if rising.t < closed {
            let rest = State { v: 0.0, ..rising };
            rest.with(g).until(0.0, |x| x.t >= closed).braked((k - 1.0) * g)
        } else {
            rising.braked((k + 1.0) * g)
        };
        prop_assert!(si(up.travel.as_nano()) >= end.s - 1e-9 && si(up.time.as_nanos()) >= end.t - 1e-9);
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

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whenever the drive leaves its ramp, the bound holds; and it is a bound for the worst moment, not for any.
    #[test]
    fn violated_ramp_encloses_every_moment(
        (axis, speed) in axes(), reaction in 0_i64..100_000_000, delay in 0_i64..100_000_000, detection in 0_i64..60_000_000,
        a in 1_000_000_000_i64..20_000_000_000, j in prop::option::of(5_000_000_000_i64..500_000_000_000), share in 0.0..1.0_f64
    ) {
        prop_assume!(axis.motion != Motion::Upward);
        let [reaction, delay, detection] = [reaction, delay, detection].map(Span::from_nanos);
        let ramp = Ramp { deceleration: Acceleration::from_nano(a), jerk: j.map(Jerk::from_nano) };
        let bound = violated_ramp(&axis, speed, reaction, (delay, ramp), detection).unwrap();
        let kept = stop(&axis, speed, reaction, &StopFunction::Ss1R { delay, ramp }).unwrap();
        let whole = si(kept.phases[2].time.as_nanos());
        let run = |share: f64| leave_ramp(&axis, speed, reaction, (delay, ramp), detection, whole * share);
        let (got_time, got) = (si(bound.time.as_nanos()), si(bound.farthest.travel.as_nano()));
        let (time, travel) = run(share);
        prop_assert!(got >= travel * (1.0 - 1e-9) - 1e-9 && got_time >= time * (1.0 - 1e-9) - 1e-9, "{got} {travel} {got_time} {time}");
        // Not far above the worst of many moments.
        let (mut worst_time, mut worst) = (0.0_f64, 0.0_f64);
        for moment in 0..=24 {
            let (time, travel) = run(f64::from(moment) / 24.0);
            (worst_time, worst) = (worst_time.max(time), worst.max(travel));
        }
        prop_assert!(got <= worst * 1.05 + 1e-3, "{got} {worst}");
        prop_assert!(got_time <= worst_time * 1.05 + 1e-3, "{got_time} {worst_time}");
        prop_assert!(bound.farthest.travel >= kept.travel && bound.time >= kept.time);
    }
}
