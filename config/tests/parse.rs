//! Whole stand files in, stands and messages out.

mod cases;

use std::collections::BTreeSet;

use leverarm_config::{
    AirInput, ChannelId, EXAMPLE_BRAKE, EXAMPLE_STAND, GuardAction, KEYS, Mistake, Quantity, Rule,
    Secret, Shaft, Signal, Stand, StandKind, StreamApi, StreamDestination, parse,
};
use leverarm_torque::air::Correction;
use leverarm_torque::sensor::Law;
use proptest::prelude::*;

use cases::cases;

const EVERY_KEY: &str = include_str!("every_key.toml");
const README: &str = include_str!("../README.md");

#[track_caller]
fn stand(text: &str) -> Stand {
    parse("stand.toml", text).unwrap_or_else(|errors| panic!("{errors}"))
}

fn rpm(rad_per_s: f64) -> f64 {
    (rad_per_s * 60.0 / (2.0 * std::f64::consts::PI) * 1e6).round() / 1e6
}

/// `text` with `old` replaced, which has to be there once.
#[track_caller]
fn edited(text: &str, old: &str, new: &str) -> String {
    assert_eq!(
        text.matches(old).count(),
        1,
        "\"{old}\" has to be there once"
    );
    text.replace(old, new)
}

#[test]
fn the_demonstration_stand() {
    let stand = stand(EXAMPLE_STAND);
    assert_eq!(stand.kind, StandKind::Inertia);
    assert_eq!(rpm(stand.pull.start_rad_per_s), 3000.0);
    assert_eq!(rpm(stand.pull.end_rad_per_s), 9000.0);
    assert_eq!(stand.pickups[0].teeth, 8);
    assert_eq!(stand.correction, Correction::Iso1585SparkIgnition);
    assert_eq!(stand.air.temperature_k, AirInput::Channel(ChannelId(3)));
    assert!(matches!(stand.channels[1].law, Law::ThermocoupleK { .. }));
    assert_eq!(stand.channels[1].cold_junction, Some(ChannelId(0)));
    assert_eq!(stand.channels[4].quantity, Quantity::Number);
    assert_eq!(
        rpm(stand.overspeed_cut_rad_per_s(Shaft::Engine).unwrap()),
        9700.0
    );
    let lean = stand
        .guards
        .iter()
        .find(|guard| guard.name == "mixture lean")
        .unwrap();
    assert_eq!(lean.action, GuardAction::Warn);
    assert_eq!(lean.debounce_ms, 300);
    let signal = Signal::Channel(ChannelId(4));
    assert_eq!(
        (lean.signal, lean.rule, lean.limit_si),
        (signal, Rule::Above, Some(1.1))
    );

    // Worked by hand: 67/18 · 24/19 · 22/15.
    assert!((stand.drive.engine_per_drum.value - 35_376.0 / 5_130.0).abs() < 1e-12);
    // Worked by hand from the drawing: π/2 ρ L (R⁴ − r⁴) and the parallel axis theorem.
    let half_pi_rho = std::f64::consts::FRAC_PI_2 * 7850.0;
    let tube = half_pi_rho * 0.36 * (0.21_f64.powi(4) - 0.19_f64.powi(4));
    let plates = 2.0 * half_pi_rho * 0.012 * 0.19_f64.powi(4);
    let hole_kg = std::f64::consts::PI * 7850.0 * 0.03 * 0.03 * 0.012;
    let holes = 12.0 * hole_kg * (0.03 * 0.03 / 2.0 + 0.12 * 0.12);
    let shaft = half_pi_rho * 0.26 * 0.02_f64.powi(4);
    let sprocket = 1.02 * 0.112 * 0.112 / 8.0;
    let wanted = tube + plates - holes + shaft + sprocket;
    let drum = stand.drum.as_ref().unwrap();
    assert!((drum.inertia_kg_m2.value - wanted).abs() < 1e-12 * wanted);
    assert!(stand.summary().cautions.is_empty());

    // A pull with a plain torque curve (11 N·m at 6500 rpm, falling by a quarter at both ends)
    // takes the four to five seconds that the file promises.
    let mut seconds = 0.0;
    for step in 0..6000 {
        let at = 3000.5 + f64::from(step);
        let torque_nm = 11.0 * (1.0 - 0.25 * ((at - 6500.0) / 3500.0).powi(2));
        let ratio = stand.drive.engine_per_drum.value;
        let drum_rad_per_s = at / ratio * std::f64::consts::TAU / 60.0;
        let net_nm = torque_nm * ratio - stand.losses.torque_nm(drum_rad_per_s);
        seconds += std::f64::consts::TAU / 60.0 / ratio / (net_nm / wanted);
    }
    assert!((4.0..5.0).contains(&seconds), "{seconds}");
}

#[test]
fn the_brake_stand() {
    let stand = stand(EXAMPLE_BRAKE);
    let cell = stand.load_cell.unwrap();
    // Hung weights: mass times the local gravity.
    assert!((cell.newton_per_count.value - 1.86e-6 * 9.81).abs() < 1e-18);
    assert!((cell.newton_per_count.standard_uncertainty - 2e-9 * 9.81).abs() < 1e-18);
    // 29.8 inHg of 3386.388640341 Pa (NIST SP 811, B.8), 68 °F = 20 °C.
    let air = stand.entered_air().unwrap();
    assert!((air.pressure_pa() - 29.8 * 3_386.388_640_341).abs() < 1e-6);
    assert!((air.temperature_k() - 293.15).abs() < 1e-9);
    // The rules that the file leaves out follow from its overspeed limit: 4400 · 2.25 = 9900 rpm.
    assert_eq!(rpm(stand.pull.end_rad_per_s), 9400.0);
    assert_eq!(rpm(stand.pull.start_rad_per_s), 3200.0);
    assert!(stand.summary().cautions.is_empty());
}

#[test]
fn a_tyre_on_a_drum() {
    let stand = stand(EVERY_KEY);
    // Engine turns per wheel turn, times wheel turns per drum turn: π · 0.4064 m / 1.63 m.
    let wanted = 67.0 / 18.0 * (24.0 / 19.0) * (41.0 / 15.0) * std::f64::consts::PI * 0.4064 / 1.63;
    let ratio = stand.drive.engine_per_drum;
    assert!((ratio.value - wanted).abs() < 1e-9 * wanted);
    // Slip changes speeds, not the ratio that torque goes by.
    let slip = stand.drive.tyre.unwrap().slip;
    assert!((slip.value - 0.02).abs() < 1e-12 && slip.standard_uncertainty > 0.0);
    let unsaid = EVERY_KEY.replace("slip = \"2 +/- 1 %\"\n", "");
    let unsaid = self::stand(&unsaid).drive.tyre.unwrap().slip;
    assert!((unsaid.value - 0.025).abs() < 1e-12 && unsaid.standard_uncertainty > 0.005);
    // The circumference alone is uncertain, by 0.01 in 1.63.
    assert!((ratio.standard_uncertainty / ratio.value - 0.01 / 1.63).abs() < 1e-6);
}

#[test]
fn ten_mistakes_give_ten_messages() {
    let errors = parse("ten_mistakes.toml", include_str!("ten_mistakes.toml")).unwrap_err();
    assert_eq!(errors.mistakes.len(), 10);
    assert_eq!(
        errors.to_string(),
        include_str!("ten_mistakes.txt").trim_end()
    );
}

/// Each edit of the demonstration stand makes one mistake, and one message: no second one that
/// only follows from the first.
#[test]
fn one_mistake_gives_one_message() {
    let (_, rest) = EXAMPLE_STAND.split_once("[[pickup]]\n").unwrap();
    let (pickup, _) = rest.split_once("\n\n").unwrap();
    let pickup = &format!("[[pickup]]\n{pickup}");
    for [old, new, key, rule] in cases(include_str!("mistakes/example.txt")) {
        let text = edited(EXAMPLE_STAND, &old.replace("{pickup}", pickup), &new);
        let errors = parse("stand.toml", &text).unwrap_err();
        assert_eq!(errors.mistakes.len(), 1, "{new}:\n{errors}");
        let mistake = &errors.mistakes[0];
        assert_eq!(mistake.key, key, "{errors}");
        assert!(mistake.rule.starts_with(&rule), "{errors}");
    }
}

#[test]
fn a_slip_of_the_fingers_is_named() {
    let hint = |old, new| {
        let errors = parse("stand.toml", &edited(EXAMPLE_STAND, old, new)).unwrap_err();
        errors.mistakes.into_iter().find_map(|mistake| mistake.hint)
    };
    let named = |word: &str| Some(format!("did you mean \"{word}\"?"));
    assert_eq!(
        hint("heartbeat_timeout", "heartbeat_timout"),
        named("heartbeat_timeout")
    );
    assert_eq!(hint("[losses]", "[loses]"), named("losses"));
    assert_eq!(hint("power = \"kW\"", "power = \"kw\""), named("kW"));
    assert_eq!(
        hint(
            "temperature_channel = \"intake air\"",
            "temperature_channel = \"intak air\""
        ),
        named("intake air")
    );
    assert_eq!(hint("on = \"lambda\"", "on = \"lamda\""), named("lambda"));
    assert_eq!(hint("teeth = 8", "wholly_other = 8"), None);
}

/// Whatever key or section is misspelt, needed or not: one mistake, which names what is there.
#[test]
fn a_slip_in_any_key_is_one_mistake() {
    for text in [EXAMPLE_STAND, EXAMPLE_BRAKE] {
        let mut tried = 0;
        for (at, line) in text.lines().enumerate() {
            let start = line.trim_start_matches(['[', ' ']);
            let key: String = start
                .chars()
                .take_while(|c| c.is_ascii_lowercase() || *c == '_')
                .collect();
            let is_key = start[key.len()..].trim_start().starts_with(['=', ']']);
            // Two letters the wrong way round, as fingers do it.
            let (Some(first), Some(second)) = (key.get(1..2), key.get(2..3)) else {
                continue;
            };
            if !is_key || first == second {
                continue;
            }
            let slip = format!("{}{second}{first}{}", &key[..1], &key[3..]);
            let lines = text.lines().enumerate();
            let edited: Vec<String> = lines
                .map(|(i, line)| {
                    if i == at {
                        line.replacen(&key, &slip, 1)
                    } else {
                        line.to_owned()
                    }
                })
                .collect();
            let errors = parse("stand.toml", &edited.join("\n")).unwrap_err();
            let first = &errors.mistakes[0];
            assert_eq!(errors.mistakes.len(), 1, "{errors}");
            assert!(first.key.ends_with(&slip), "{errors}");
            assert_eq!(first.line, at + 1, "{errors}");
            assert_eq!(
                first.hint,
                Some(format!("did you mean \"{key}\"?")),
                "{errors}"
            );
            tried += 1;
        }
        assert!(tried > 50, "{tried}");
    }
}

#[test]
fn the_place_is_told_in_characters() {
    let text = edited(
        EXAMPLE_STAND,
        "name = \"shed drum\"",
        "name = \"Schuppenprüfstand\", x = 1",
    );
    let errors = parse("stand.toml", &text).unwrap_err();
    let Mistake { line, column, .. } = &errors.mistakes[0];
    let source = text.lines().nth(line - 1).unwrap();
    assert_eq!(source.chars().nth(column - 1), Some(','), "{errors}");
}

#[test]
fn a_stand_needs_what_its_torque_comes_from() {
    let without_drum = edited(EXAMPLE_BRAKE, "kind = \"brake\"", "kind = \"both\"").replace(
        "[drum]\ninertia = \"0.042 +/- 0.001 kg*m^2\"\nouter_diameter = \"240 mm\"\n",
        "",
    );
    let without_cell = edited(EXAMPLE_STAND, "kind = \"inertia\"", "kind = \"both\"");
    let cases = [(without_drum, "drum"), (without_cell, "load_cell")];
    for (text, key) in cases {
        let errors = parse("stand.toml", &text).unwrap_err();
        assert_eq!(errors.mistakes.len(), 1, "{errors}");
        assert_eq!(errors.mistakes[0].key, key);
    }
}

#[test]
fn a_stand_needs_a_cut_on_overspeed() {
    let text = edited(
        EXAMPLE_STAND,
        "limit = \"1420 rpm\"\naction = \"cut\"",
        "limit = \"1420 rpm\"\naction = \"warn\"",
    );
    // The engine's own still cuts.
    stand(&text);
    let text = edited(
        &text,
        "limit = \"9700 rpm\"\naction = \"cut\"",
        "limit = \"9700 rpm\"\naction = \"warn\"",
    );
    let errors = parse("stand.toml", &text).unwrap_err();
    assert_eq!(errors.mistakes.len(), 1, "{errors}");
    assert_eq!(
        errors.mistakes[0].rule,
        "a stand needs a guard that cuts on overspeed"
    );
}

#[test]
fn an_empty_file_says_what_it_needs() {
    let errors = parse("stand.toml", "").unwrap_err();
    let keys: Vec<&str> = errors
        .mistakes
        .iter()
        .map(|mistake| mistake.key.as_str())
        .collect();
    assert_eq!(keys, ["stand", "port", "pickup", "drive", "guard", "air"]);
}

/// Each of these looks wrong, and for one reason.
#[test]
fn cautions() {
    for [old, new, key, part] in cases(include_str!("mistakes/cautions.txt")) {
        let mut text = edited(EXAMPLE_STAND, &old, &new);
        if key == "channel.expected" {
            text = edited(&text, "expected = [0.6, 1.4]\n", "");
        }
        let stand = stand(&text);
        let cautions = stand.summary().cautions;
        assert_eq!(cautions.len(), 1, "{new}: {cautions:?}");
        assert_eq!(cautions[0].key, key);
        assert!(cautions[0].text.contains(&part), "{}", cautions[0].text);
    }

    // A rim at 63 m/s: 2.866 krpm of a 420 mm drum.
    let fast = EXAMPLE_STAND
        .replace("limit = \"1420 rpm\"", "limit = \"2866 rpm\"")
        .replace("limit = \"9700 rpm\"", "limit = \"29000 rpm\"")
        .replace("end_speed = \"9000 rpm\"", "end_speed = \"19000 rpm\"");
    let fast = stand(&fast);
    let cautions = fast.summary().cautions;
    assert_eq!(cautions.len(), 1, "{cautions:?}");
    assert!(cautions[0].text.contains("63 m/s") && cautions[0].text.contains("licensed engineer"));

    // 400 teeth at 3000 rpm are 20 000 teeth a second.
    let teeth = edited(EXAMPLE_BRAKE, "teeth = 60", "teeth = 400")
        .replace("limit = \"4400 rpm\"", "limit = \"3000 rpm\"");
    let teeth = stand(&teeth);
    let cautions = teeth.summary().cautions;
    assert_eq!(cautions.len(), 2, "{cautions:?}");
    assert!(cautions[0].text.contains("20000 teeth a second"));
    assert!(cautions[1].text.contains("of the line"));

    // Air outside of what the correction's standard allows: 5 °C, below its 10 °C.
    let cold = edited(EXAMPLE_BRAKE, "\"68 +/- 1 degF\"", "\"41 +/- 1 degF\"");
    let cold = stand(&cold);
    let cautions = cold.summary().cautions;
    assert!(!cautions.is_empty() && cautions.iter().all(|caution| caution.key == "air"));
}

/// Stored energy ½ I ω² of the drum assembly that other programs worked out: 12 869.22 J at
/// 1000 rpm (tube 400/360 × 300 mm, two plates 360/40 × 12 mm, shaft 40 × 500 mm, steel of
/// 7850 kg/m³; computed independently).
#[test]
fn summary_against_a_worked_assembly() {
    let piece = |name: &str, shape: &str, sizes: &str| {
        format!(
            "[[drum.piece]]\nname = \"{name}\"\nshape = \"{shape}\"\n{sizes}\ndensity = \"7850 kg/m^3\"\n"
        )
    };
    let size = |outer, inner, length| {
        format!(
            "outer_diameter = \"{outer} mm\"\ninner_diameter = \"{inner} mm\"\nlength = \"{length} mm\""
        )
    };
    let pieces = [
        piece("tube", "tube", &size(400, 360, 300)),
        piece("plates", "tube", &size(360, 40, 12)) + "count = 2\n",
        piece(
            "shaft",
            "cylinder",
            "diameter = \"40 mm\"\nlength = \"500 mm\"",
        ),
    ]
    .concat();
    let old = "inertia = \"0.042 +/- 0.001 kg*m^2\"\nouter_diameter = \"240 mm\"\n";
    let text = edited(EXAMPLE_BRAKE, old, &pieces).replace("\"4400 rpm\"", "\"1000 rpm\"");
    let stand = stand(&text);
    let at_cut = stand.summary().at_cut.unwrap();
    assert!((at_cut.stored_energy_j.unwrap() / 12_869.222_660_938_776 - 1.0).abs() < 1e-9);
    // A car of 1000 kg: v = √(2 E/m).
    assert!((at_cut.car_speed_m_per_s.unwrap() - 5.073_3).abs() < 1e-4);
    // 0.2 m · 104.72 rad/s
    assert!((at_cut.rim_speed_m_per_s.unwrap() - 20.943_951).abs() < 1e-6);
}

#[test]
fn the_summary_as_text() {
    let summary = stand(EXAMPLE_STAND).summary().to_string();
    assert_eq!(
        summary.trim_end(),
        include_str!("stand.example.txt").trim_end()
    );
}

/// All keys as `section.key`, leaving out those that are sections themselves.
fn listed_keys() -> BTreeSet<String> {
    let is_section = |name: &str| KEYS.iter().any(|(section, _)| *section == name);
    KEYS.iter()
        .flat_map(|(section, keys)| keys.split(' ').map(move |key| format!("{section}.{key}")))
        .filter(|name| !name.starts_with('.') && !is_section(name))
        .collect()
}

#[test]
fn servers_to_send_values_to() {
    let stand = stand(EVERY_KEY);
    let [v2, other, v1, file] = stand.streams.as_slice() else {
        panic!("{:?}", stand.streams);
    };
    assert_eq!(v2.url, "https://values.example:8086/");
    assert_eq!((v2.rate_hz, v2.stand.as_str()), (20.0, "drum 2"));
    let expected = StreamApi::V2 {
        org: "shed".to_owned(),
        bucket: "stand".to_owned(),
        token: Some(Secret::Env("LEVERARM_STREAM_TOKEN".to_owned())),
    };
    assert_eq!(v2.api, expected);
    assert_eq!((other.rate_hz, &other.stand), (10.0, &stand.name));
    assert_eq!(v1.url, "http://192.168.1.20:8086/behind/proxy");
    let password = |stream: &StreamDestination| match &stream.api {
        StreamApi::V1 { login, .. } => login.as_ref().map(|(_, password)| password.clone()),
        StreamApi::V2 { .. } => None,
    };
    assert_eq!(
        password(v1),
        Some(Secret::Env("LEVERARM_STREAM_PASSWORD".to_owned()))
    );
    assert_eq!(
        password(file),
        Some(Secret::File("/etc/leverarm/password".into()))
    );
}

#[test]
fn one_mistake_about_a_server_gives_one_message() {
    const SERVER: &str = "\n[[stream]]\nname = \"workshop\"\nkind = \"v2\"\n\
                          url = \"http://10.0.0.1:8086\"\nbucket = \"stand\"\n";
    let base = format!("{EXAMPLE_STAND}{SERVER}");
    assert_eq!(stand(&base).streams.len(), 1);
    for [old, new, key, rule] in cases(include_str!("mistakes/server.txt")) {
        let text = format!("{EXAMPLE_STAND}{}", edited(SERVER, &old, &new));
        let errors = parse("stand.toml", &text).unwrap_err();
        let [mistake] = errors.mistakes.as_slice() else {
            panic!("{old} to {new}:\n{errors}");
        };
        assert_eq!(mistake.key, format!("stream[1].{key}"), "{errors}");
        assert!(mistake.rule.starts_with(&rule), "{errors}");
    }
    let twice = parse("stand.toml", &format!("{base}{SERVER}")).unwrap_err();
    assert_eq!(twice.mistakes[0].key, "stream[2].name");
}

#[test]
fn the_readme_lists_every_key_and_no_other() {
    let documented: BTreeSet<String> = README
        .lines()
        .filter_map(|line| line.strip_prefix("| `")?.split_once("` |"))
        .map(|(key, _)| key.to_owned())
        .filter(|key| key.contains('.'))
        .collect();
    assert_eq!(documented, listed_keys());
}

#[test]
fn every_listed_key_is_accepted() {
    fn collect(table: &toml::Table, path: &str, keys: &mut BTreeSet<String>) {
        for (key, value) in table {
            let path = if path.is_empty() {
                key.clone()
            } else {
                format!("{path}.{key}")
            };
            match value {
                toml::Value::Table(table) => collect(table, &path, keys),
                toml::Value::Array(list) if list.iter().all(toml::Value::is_table) => {
                    list.iter()
                        .filter_map(toml::Value::as_table)
                        .for_each(|table| collect(table, &path, keys));
                }
                _ => {
                    keys.insert(path);
                }
            }
        }
    }
    let mut used = BTreeSet::new();
    for text in [EXAMPLE_STAND, EXAMPLE_BRAKE, EVERY_KEY] {
        stand(text);
        collect(&text.parse().unwrap(), "", &mut used);
    }
    assert_eq!(used, listed_keys());
}

#[test]
fn every_section_refuses_an_unknown_key() {
    for (section, _) in KEYS {
        let text = [EXAMPLE_STAND, EXAMPLE_BRAKE, EVERY_KEY]
            .into_iter()
            .find_map(|text| {
                let (header, list) = (format!("\n[{section}]\n"), format!("\n[[{section}]]\n"));
                let header = if section.is_empty() {
                    "\n"
                } else if text.contains(&header) {
                    &header
                } else {
                    &list
                };
                text.contains(header)
                    .then(|| text.replacen(header, &format!("{header}zzz = 1\n"), 1))
            })
            .unwrap_or_else(|| panic!("no file has a [{section}]"));
        let errors = parse("stand.toml", &text).unwrap_err();
        assert_eq!(errors.mistakes.len(), 1, "[{section}]:\n{errors}");
        assert_eq!(errors.mistakes[0].rule, "there is no such key");
    }
}

/// An error always has a mistake, and each mistake a place that exists.
fn read_or_refused(text: &str) -> Result<(), TestCaseError> {
    let Err(errors) = parse("stand.toml", text) else {
        return Ok(());
    };
    prop_assert!(!errors.mistakes.is_empty());
    let lines = text.lines().count().max(1);
    for mistake in &errors.mistakes {
        prop_assert!(mistake.line >= 1 && mistake.line <= lines + 1);
        let columns = mistake.source_line.chars().count() + 1;
        prop_assert!(mistake.column >= 1 && mistake.column <= columns);
    }
    prop_assert!(!errors.to_string().is_empty());
    Ok(())
}

/// A summary of whatever was accepted holds together too.
fn summed_up(text: &str) {
    if let Ok(stand) = parse("stand.toml", text) {
        assert!(!stand.summary().to_string().is_empty());
    }
}

proptest! {
    #[test]
    fn any_text_is_read_or_refused(text in any::<String>()) {
        read_or_refused(&text)?;
    }

    #[test]
    fn any_table_is_read_or_refused(
        lines in proptest::collection::vec(
            r#"(\[{1,2}(stand|drum|drum\.piece|pickup|channel|guard|pull|air|drive)\]{1,2}|(name|kind|on|limit|law|teeth|ratio|stages|inertia|shape|mass|pressure|per_count|source) = ("[a-z0-9 %/*^.-]{0,12}"|[0-9.e-]{1,6}|\[[0-9", ]{0,6}\]|true|\{ ?\}))"#,
            0..30,
        )
    ) {
        read_or_refused(&lines.join("\n"))?;
    }

    #[test]
    fn a_damaged_example_is_read_or_refused(
        which in 0..3_usize,
        at in any::<prop::sample::Index>(),
        cut in 0..12_usize,
        paste in r#"[\[\]a-z0-9 ="'.\n#µ]{0,6}"#,
    ) {
        let text = [EXAMPLE_STAND, EXAMPLE_BRAKE, EVERY_KEY][which];
        let chars: Vec<char> = text.chars().collect();
        let (head, tail) = chars.split_at(at.index(chars.len()));
        let damaged: String = head
            .iter()
            .copied()
            .chain(paste.chars())
            .chain(tail.iter().skip(cut).copied())
            .collect();
        read_or_refused(&damaged)?;
        summed_up(&damaged);
    }
}
