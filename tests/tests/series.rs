//! A series of setups in one store, from pulls to tables, and what is on its sheet.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::sync::LazyLock;

use leverarm_analysis::comparison::{
    EffectsReport, EngineSide, Report, SeriesReport, StoredComparison, StoredEffects, SwapCost,
    compare_setups, effects_of_parts,
};
use leverarm_analysis::reduction::CurveChoice;
use leverarm_config::display::DisplayUnits;
use leverarm_store::{PullState, StoreReader};
use leverarm_tests::simulated_store::{fill, pull_of, series};
use leverarm_torque::comparison::Options;
use leverarm_torque::comparison::orders::{Cost, Disturbance, Order, Question, judged};
use serde_json::Value;

const PULLS_EACH: usize = 2;

fn options() -> Options {
    Options {
        speeds_rpm: vec![5000.0, 7000.0],
        ..Options::default()
    }
}

/// The series of [`series`], compared once for all tests.
static FOUND: LazyLock<(StoredComparison, StoredEffects)> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap();
    let (setups, order) = series();
    let pulls: Vec<(usize, PullState)> = order
        .iter()
        .flat_map(|setup| [(*setup, PullState::Stored); PULLS_EACH])
        .collect();
    fill(folder.path(), &setups, &pulls, 5).unwrap();
    let reader = StoreReader::open(folder.path()).unwrap();
    let choice = CurveChoice::default();
    let cost = SwapCost::default();
    let effects = effects_of_parts(&reader, None, choice, &cost, &options()).unwrap();
    let names: Vec<String> = effects.setups.iter().map(|s| s.name.clone()).collect();
    let engine = EngineSide::LeftOut;
    let found = compare_setups(&reader, &names, choice, &options(), engine, |_, _| {}).unwrap();
    (found, effects)
});

fn report(found: &StoredComparison) -> Report<'_> {
    Report {
        units: DisplayUnits::SI,
        found,
        overlays: &[],
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

/// Steps of the way add up to the whole, exactly; the setups stand in the order they were tested in.
#[test]
fn the_steps_of_the_way_add_up() {
    let report = report(&FOUND.0);
    let json = SeriesReport { report: &report }.json();
    assert_eq!(json["reference"], "main jet 105");
    let steps = json["steps"].as_array().unwrap();
    assert_eq!(steps.len(), 4);
    let mut sum = 0.0;
    for step in steps {
        sum += number(&step["average_torque_nm"]["value"]);
        let in_all = number(&step["in_all_nm"]["value"]);
        assert!((sum - in_all).abs() < 1e-9, "{sum} against {in_all}");
    }
    let setups = json["setups"].as_array().unwrap();
    let last = &setups[3]["average_torque_nm"];
    assert!((sum - number(&last["value"])).abs() < 1e-9);
    assert!(
        steps[3]["changed"]
            .as_str()
            .unwrap()
            .contains("exhaust, open against silenced")
    );
}

/// What the store tells of the parts is what was simulated: the sleeve's 2 %, the jet's dip filled, and
/// exhaust and airbox not told apart.
#[test]
fn the_parts_of_a_store_did_what_they_did() {
    let effects = &FOUND.1;
    let report = EffectsReport {
        units: DisplayUnits::SI,
        found: effects,
        asked: &[],
    };
    let of = |part: &str| {
        let mut all = effects.effects.effects.iter();
        all.find(|effect| effect.part == part).unwrap()
    };
    let (setups, _) = series();
    let truth = |setup: usize, rpm: f64| pull_of(&setups[setup]).mean_torque_nm(rpm);
    // With either jet the sleeve adds as much, but for 2 % of the dip.
    let sleeve = of("sleeve");
    assert!(sleeve.is_sure(), "{sleeve:?}");
    for at in &sleeve.at_speeds {
        let true_nm = truth(3, at.rpm) - truth(1, at.rpm);
        let off = (at.torque_nm.value - true_nm).abs();
        assert!(
            off < at.torque_nm.half_width + 0.01,
            "{at:?} against {true_nm}"
        );
    }
    let jet = of("main jet");
    let [low, high] = jet.at_speeds.as_slice() else {
        panic!("two speeds expected: {jet:?}");
    };
    assert!(low.torque_nm.value > 0.4 && low.torque_nm.value > low.torque_nm.half_width);
    assert!(high.torque_nm.value.abs() < high.torque_nm.half_width);
    let words = report.words().join("\n");
    assert!(
        words.contains("airbox and exhaust were never changed apart"),
        "{words}"
    );
    assert!(words.contains("whatever else was on"), "{words}");
}

/// Words never say more than the table: a sure effect has a star there, and none other has.
#[test]
fn words_and_table_of_parts_agree() {
    let report = EffectsReport {
        units: DisplayUnits::SI,
        found: &FOUND.1,
        asked: &[],
    };
    let table = report.table();
    let averages: Vec<&Vec<String>> = table
        .rows
        .iter()
        .filter(|row| row[4] == "average")
        .collect();
    let words = report.words();
    for (row, line) in averages.iter().zip(&words) {
        assert!(
            line.starts_with(&format!("{} {}", row[0], row[1])),
            "{line}"
        );
        assert_eq!(
            row[5].ends_with('*'),
            line.contains("more torque"),
            "{line}"
        );
        assert_eq!(
            row[5] == "can't tell",
            line.contains("can't tell"),
            "{line}"
        );
    }
}

/// The comparison of orders in the manual is what the orders do.
#[test]
fn the_manuals_table_of_orders_is_right() {
    const MANUAL: &str = include_str!("../../hardware-notes/orders.md");
    let question = Question {
        difference: 0.01,
        confidence: 0.95,
        pull_sd: 0.0,
        build_sd: 1.0,
        known_error: None,
        known_left: 10.0,
    };
    let cost = Cost {
        begin_min: [0.0; 2],
        swap_min: 0.0,
        pull_min: 0.0,
    };
    let rows = MANUAL.lines().filter(|line| line.starts_with("| A "));
    let mut checked = 0;
    for row in rows {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let order = Order::of_letters(&cells[0].replace(' ', ""), 3);
        assert_eq!(cells[1], order.second.len().to_string(), "{row}");
        let error = judged(&order, &question, &cost).map(|judged| judged.error);
        let disturbances = [
            Disturbance::StraightUnmodelled,
            Disturbance::Bend,
            Disturbance::WarmUp,
        ];
        let percent = disturbances.map(|what| order.left_of(what).map(|left| 100.0 * left.abs()));
        let found = [(error, 0.005)]
            .into_iter()
            .chain(percent.map(|value| (value, 0.5)));
        for (cell, (value, rounding)) in cells[2..].iter().zip(found) {
            match value {
                None => assert_eq!(*cell, "can't tell", "{row}"),
                Some(value) => {
                    let said: f64 = cell.trim_end_matches(" %").parse().unwrap();
                    assert!((said - value).abs() <= rounding + 1e-9, "{row}: {value}");
                }
            }
        }
        checked += 1;
    }
    assert_eq!(checked, 9);
}
