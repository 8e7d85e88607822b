//! The board's loop and its peer are the same arithmetic: both run on the same numbers.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use leverarm_load::absorber::{Absorber, Follows, Heat, Kind, Output, WithoutPower};
use leverarm_load::controller::{Controller, Demand, Inputs, Mode, Q16, Settings};
use leverarm_load::settings::{Task, settings};

/// Numbers that look like chance: Marsaglia's xorshift.
struct Chance(u64);

impl Chance {
    fn below(&mut self, end: i64) -> i64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        i64::try_from(self.0 >> 1).unwrap() % end
    }

    fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.below(1_000_001) as f64 / 1e6
    }

    fn one_in(&mut self, times: i64) -> bool {
        self.below(times) == 0
    }
}

fn some_settings(chance: &mut Chance) -> Settings {
    let follows = match chance.below(3) {
        0 => Follows::Coil {
            resistance_ohm: 5.0,
            time_constant_s: chance.between(0.03, 0.3),
            forcing: chance.between(1.0, 5.0),
            fast_decay: chance.one_in(2),
        },
        1 => Follows::Valve {
            stroke_s: chance.between(0.05, 2.0),
            fill_s: chance.between(0.005, 0.3),
        },
        _ => Follows::Electronics {
            time_constant_s: chance.between(0.001, 0.05),
        },
    };
    let kind = [Kind::EddyCurrent, Kind::Water, Kind::Hydraulic]
        [usize::try_from(chance.below(3)).unwrap()];
    let top_nm = chance.between(5.0, 900.0);
    let absorber = Absorber {
        kind,
        full_torque: vec![(50.0, 0.6 * top_nm), (150.0, top_nm), (300.0, 0.7 * top_nm)],
        torque_of_output: kind.usual_torque_of_output(),
        follows,
        heat: Heat {
            capacity_j_per_k: 5_000.0,
            cooling_w_per_k: 20.0,
            fade_per_k: 0.001,
            temperature_max_k: 500.0,
        },
        output: Output::Pwm,
        without_power: WithoutPower::LetsGo,
    };
    let task = Task {
        rate_hz: [500, 1_000][usize::try_from(chance.below(2)).unwrap()],
        tick_hz: [1_000_000, 2_000_000, 16_000_000][usize::try_from(chance.below(3)).unwrap()],
        teeth: u16::try_from(1 + chance.below(120)).unwrap(),
        turns_per_firing: chance.between(0.1, 2.0),
        inertia_kg_m2: chance.between(0.01, 20.0),
        engine_torque_nm: 0.5 * top_nm,
        stall_rad_per_s: chance.between(5.0, 50.0),
        speed_max_rad_per_s: 280.0,
        firmness: chance.between(0.5, 1.3),
    };
    settings(&absorber, &task)
}

fn fields(set: &Settings) -> Vec<i64> {
    let mut all = vec![
        set.rate_hz,
        set.tick_hz,
        set.teeth,
        set.window_teeth,
        set.inertia,
        set.firmness,
        set.hold,
        set.approach,
        set.lead,
        set.lag,
        set.slew,
        set.output_min,
        set.output_max,
    ];
    all.extend(
        set.map_speed
            .iter()
            .chain(&set.map_torque)
            .chain(&set.output_for),
    );
    all.extend([
        set.stall,
        set.speed_max,
        set.engine_max,
        set.torque_slew,
        set.follow,
        set.follow_steps,
    ]);
    all
}

fn line(out: &mut String, event: char, fields: &[i64]) {
    out.push(event);
    for field in fields {
        write!(out, " {field}").unwrap();
    }
    out.push('\n');
}

/// One stand's life: what goes into the board's loop, and what its peer makes of it.
fn life(seed: u64, input: &mut String, expected: &mut String) {
    let chance = &mut Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    let mut set = some_settings(chance);
    if chance.one_in(6) {
        // What a host must not set.
        match chance.below(4) {
            0 => set.inertia = 0,
            1 => set.map_speed[3] = set.map_speed[4],
            2 => set.output_for[2] = set.output_for[1],
            _ => set.lead = 255,
        }
    }
    line(input, 'b', &fields(&set));
    writeln!(expected, "{}", u8::from(set.fit())).unwrap();
    if !set.fit() {
        return;
    }
    let mut peer = Controller::new(set.clone());
    let step_ticks = set.tick_hz / set.rate_hz;
    let (mut tick, mut turned, mut speed): (i64, f64, f64) =
        (chance.below(1 << 33), 0.0, chance.between(0.0, 200.0));
    let mut pull = chance.between(-100.0, 300.0);
    let mut silent = 0;
    let mut inputs = Inputs::default();
    for _ in 0..1_500 {
        tick += step_ticks + chance.below(1 + step_ticks / 50);
        if chance.one_in(300) {
            pull = chance.between(-300.0, 500.0);
        }
        speed = (speed + pull / set.rate_hz as f64).clamp(0.0, 350.0);
        if chance.one_in(600) {
            // The pickup falls silent for a while.
            silent = chance.below(300);
        }
        silent = (silent - 1).max(0);
        let before = turned;
        turned += if silent > 0 { 0.0 } else { 1.0 } * speed / std::f64::consts::TAU
            * set.teeth as f64
            / set.rate_hz as f64;
        let now = turned.floor();
        if now > before.floor() && !chance.one_in(500) {
            let late = (turned - now) / (turned - before) * step_ticks as f64;
            #[expect(clippy::cast_possible_truncation, reason = "a few thousand ticks")]
            let mut at = tick - late as i64;
            if chance.one_in(100) {
                at += chance.below(step_ticks / 10);
            }
            inputs.tooth_tick = u32::try_from(at & 0xffff_ffff).unwrap();
        }
        #[expect(clippy::cast_possible_truncation, reason = "a few thousand teeth")]
        let teeth = now as i64 & 0xff;
        inputs.teeth = u8::try_from(teeth).unwrap();
        inputs.tick = u32::try_from(tick & 0xffff_ffff).unwrap();
        if chance.one_in(50) {
            let measured = i32::try_from(chance.below(2 * Q16) - Q16 / 2).unwrap();
            inputs.measured = chance.one_in(2).then_some(measured);
            let torque = i32::try_from(chance.below(400 * Q16) - 20 * Q16).unwrap();
            inputs.torque = chance.one_in(2).then_some(torque);
        }
        if chance.one_in(1_000) {
            let throttle = i32::try_from(chance.below(Q16)).unwrap();
            inputs.throttle = (!chance.one_in(4)).then_some(throttle);
        }
        inputs.cut = chance.one_in(900);
        inputs.too_hot = chance.one_in(900);
        if chance.one_in(100) {
            inputs.no_supply = chance.one_in(8);
        }
        if chance.one_in(200) {
            peer.arm();
            line(input, 'a', &[]);
        }
        if chance.one_in(700) {
            peer.disarm();
            line(input, 'd', &[]);
        }
        if chance.one_in(60) {
            let kinds = [
                Mode::Off,
                Mode::Speed,
                Mode::Torque,
                Mode::Road,
                Mode::Output,
            ];
            let kind = chance.below(5);
            let demand = Demand {
                mode: kinds[usize::try_from(kind).unwrap()],
                target: chance.below(300 * Q16) - if kind == 1 { 0 } else { 20 * Q16 },
                rate: if chance.one_in(2) {
                    0
                } else {
                    chance.below(500 * Q16)
                },
                square: chance.below(1 << 31),
            };
            peer.demand(demand);
            line(
                input,
                'm',
                &[kind, demand.target, demand.rate, demand.square],
            );
        }
        let (measured, torque, throttle) = (inputs.measured, inputs.torque, inputs.throttle);
        line(
            input,
            's',
            &[
                i64::from(inputs.tick),
                i64::from(inputs.tooth_tick),
                i64::from(inputs.teeth),
                i64::from(measured.is_some()),
                i64::from(measured.unwrap_or(0)),
                i64::from(torque.is_some()),
                i64::from(torque.unwrap_or(0)),
                i64::from(throttle.is_some()),
                i64::from(throttle.unwrap_or(0)),
                i64::from(inputs.cut),
                i64::from(inputs.too_hot),
                i64::from(inputs.no_supply),
            ],
        );
        let out = peer.step(&inputs);
        writeln!(
            expected,
            "{} {} {} {} {} {} {} {} {} {}",
            out.output,
            u8::from(out.wants_cut),
            out.torque,
            out.speed,
            out.reference,
            out.engine,
            u8::from(out.saturated),
            u8::from(out.holds),
            out.why as u8,
            out.backed_off,
        )
        .unwrap();
    }
}

#[test]
fn the_boards_loop_is_its_peer() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let firmware = here
        .ancestors()
        .nth(2)
        .unwrap()
        .join("hardware-notes/firmware");
    let program = Path::new(env!("CARGO_TARGET_TMPDIR")).join("load_peer");
    // Undefined arithmetic stops it.
    let built = Command::new("cc")
        .args([
            "-std=gnu11",
            "-O1",
            "-Wall",
            "-Wextra",
            "-Werror",
            "-fsanitize=undefined",
            "-fsanitize-undefined-trap-on-error",
            "-I",
        ])
        .arg(&firmware)
        .args([firmware.join("load.c"), here.join("tests/peer.c")])
        .arg("-o")
        .arg(&program)
        .status()
        .unwrap();
    assert!(built.success());
    let (mut input, mut expected) = (String::new(), String::new());
    for seed in 1..=40 {
        life(seed, &mut input, &mut expected);
    }
    let mut child = Command::new(&program)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let writer = std::thread::spawn(move || stdin.write_all(input.as_bytes()));
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap().unwrap();
    assert!(output.status.success(), "{:?}", output.status);
    let found = String::from_utf8(output.stdout).unwrap();
    for (number, (found, expected)) in found.lines().zip(expected.lines()).enumerate() {
        assert_eq!(found, expected, "line {number}");
    }
    assert_eq!(found.lines().count(), expected.lines().count());
    // It is not all the same: each reason occurs, and load, and settings that don't fit.
    let reasons: std::collections::BTreeSet<&str> = expected
        .lines()
        .filter_map(|line| line.split(' ').nth(8))
        .collect();
    assert!(reasons.len() >= 6, "{reasons:?}");
    assert!(expected.lines().any(|line| line == "0"));
}
