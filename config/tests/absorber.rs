//! `[absorber]`: read, judged, and its mistakes.

mod cases;

use leverarm_config::{Stand, parse};
use leverarm_load::absorber::{Follows, Kind};

use cases::cases;

const BRAKE: &str = include_str!("../brake.example.toml");

fn stand(text: &str) -> Stand {
    parse("stand.toml", text).unwrap_or_else(|errors| panic!("{errors}"))
}

/// The key, rule and place of the first mistake.
fn mistake(from: &str, to: &str) -> String {
    assert!(BRAKE.contains(from), "{from}");
    let errors = parse("stand.toml", &BRAKE.replacen(from, to, 1)).expect_err(from);
    format!("{errors}")
}

#[test]
fn it_is_read_in_si() {
    let stand = stand(BRAKE);
    let it = stand.absorber.unwrap();
    assert_eq!(it.absorber.kind, Kind::EddyCurrent);
    assert_eq!(
        it.absorber.follows,
        Follows::Coil {
            resistance_ohm: 8.0,
            time_constant_s: 0.1,
            forcing: 4.0,
            fast_decay: true
        }
    );
    // 30 % at 300 °C: 275 K above 25 °C; 6 kW over the same.
    assert!((it.absorber.heat.fade_per_k - 0.3 / 275.0).abs() < 1e-12);
    assert!((it.absorber.heat.cooling_w_per_k - 6_000.0 / 275.0).abs() < 1e-9);
    let at_1000_rpm = it
        .absorber
        .full_torque_nm(1_000.0 * std::f64::consts::PI / 30.0);
    assert!((at_1000_rpm - 55.0).abs() < 1e-9, "{at_1000_rpm}");
}

#[test]
fn mistakes_are_told_at_their_place() {
    for [from, to, told] in cases(include_str!("mistakes/absorber.txt")) {
        let found = mistake(&from, &to);
        assert!(found.contains(&told), "{to}: {found}");
    }
}

/// The inertia at the absorber is 0.042 kg·m² and the engine's 0.006 · 2.25² = 0.0304, the drive 2.25: by hand the engine's 11 N·m are
/// 24.75 there, and 24.75 / 0.0724 · 2.25 = 769 rad/s² or 7,350 rpm/s without load.
#[test]
fn check_says_what_it_holds_and_what_is_missing() {
    let found = stand(BRAKE);
    let summary = found.summary();
    let absorber = summary.absorber.as_ref().unwrap();
    let (cold, hot) = absorber.reach.as_ref().unwrap();
    assert!(cold.stalls.is_empty() && hot.stalls.is_empty(), "{cold:?}");
    let at = absorber.loop_at.unwrap();
    let gained = at.runs_away_per_s.unwrap() * at.engine_rad_per_s;
    let torque_nm = 11.0
        - 1.5 * ((at.engine_rad_per_s * 30.0 / std::f64::consts::PI - 6_000.0) / 2_500.0).max(0.0);
    assert!(
        (gained / (torque_nm * 2.25 / 0.072_375 * 2.25) - 1.0).abs() < 0.01,
        "{gained} {at:?}"
    );
    let margins = at.margins.unwrap();
    assert!(
        (margins.gain - 2.96).abs() < 0.01,
        "the rule's own margin, whatever the plant: {margins:?}"
    );
    let text = summary.to_string();
    assert!(
        text.contains("eddy current; without power it lets go"),
        "{text}"
    );
    assert!(text.contains("without load the engine gains"), "{text}");

    // A weaker one, or one that knows no engine, has its caution.
    let weak = BRAKE
        .replace("\"55 N*m\"", "\"15 N*m\"")
        .replace("\"36 N*m\"", "\"9 N*m\"")
        .replace("\"60 N*m\"", "\"20 N*m\"");
    let told = |text: &str, key: &str| {
        let stand = stand(text);
        let cautions = stand.summary().cautions;
        cautions.iter().any(|caution| caution.key == key)
    };
    assert!(told(&weak, "absorber.full_torque"));
    assert!(!told(BRAKE, "absorber.full_torque"));
    let stated = BRAKE
        .lines()
        .find(|line| line.starts_with("inertia = \"0.0060"));
    let unstated = BRAKE.replace(stated.unwrap(), "");
    assert!(told(&unstated, "engine.inertia") && !told(BRAKE, "engine.inertia"));
    let lines: Vec<&str> = BRAKE
        .lines()
        .filter(|line| !line.starts_with("engine_torque"))
        .collect();
    assert!(told(&lines.join("\n"), "absorber.engine_torque"));
    let slow = BRAKE
        .replace("time_constant = \"100 ms\"", "time_constant = \"400 ms\"")
        .replace("forcing = 4", "forcing = 1");
    assert!(told(&slow, "absorber.time_constant"));
    // Steps turn valves, and a valve without power stays where it is.
    assert!(!told(BRAKE, "absorber.output"));
    let stepper = BRAKE.replace("output = \"pwm\"", "output = \"stepper\"");
    assert!(told(&stepper, "absorber.output") && told(&stepper, "absorber.without_power"));
    let stays = stepper.replace("\"lets go\"", "\"stays\"");
    assert!(!told(&stays, "absorber.without_power"));
}
