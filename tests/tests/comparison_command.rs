//! `leverarm compare` on a store whose truth is known.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::path::Path;

use leverarm::sheet::{Block, Sheet, SheetFacts};
use leverarm_analysis::comparison::{
    CompareError, DaysReport, EngineSide, Report, StoredComparison, compare_setups, days_of_setup,
};
use leverarm_analysis::exclusion::{ExclusionRequest, event as exclusion_event};
use leverarm_analysis::reduction::CurveChoice;
use leverarm_analysis::shelf::{ShelfWord, keep_picture, shelf};
use leverarm_config::display::DisplayUnits;
use leverarm_live::Now;
use leverarm_store::{PullId, PullState, Store, StoreReader};
use leverarm_tests::ran::Ran;
use leverarm_tests::simulated_store::{STAND, SimulatedSetup, fill, pull_of, two_jets};
use leverarm_torque::comparison::{Options, TypicalBuild, Verdict};
use serde_json::{Value, json};
use tempfile::TempDir;

const STORED: PullState = PullState::Stored;

/// Three pulls each with A, B and A again, and one that was given up.
fn a_b_a(setups: &[SimulatedSetup]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut order: Vec<(usize, PullState)> = [0, 0, 0, 1, 1, 1, 0, 0, 0]
        .map(|setup| (setup, STORED))
        .to_vec();
    order.insert(4, (1, PullState::Aborted));
    fill(folder.path(), setups, &order, 5).unwrap();
    folder
}

fn names(setups: &[&str]) -> Vec<String> {
    setups.iter().map(|name| (*name).to_owned()).collect()
}

fn compared(folder: &Path, setups: &[&str]) -> Result<StoredComparison, CompareError> {
    let reader = StoreReader::open(folder).unwrap();
    let choice = CurveChoice::default();
    // In these stores putting parts back moves nothing; a person says that it is little.
    let options = Options {
        typical_build: Some(TypicalBuild {
            relative_sd: 0.0005,
            degrees_of_freedom: 20.0,
        }),
        ..Options::default()
    };
    let engine = EngineSide::LeftOut;
    compare_setups(&reader, &names(setups), choice, &options, engine, |_, _| {})
}

/// The jet without the dip is higher there and nowhere else, and by as much as it is.
#[test]
fn a_known_gain_is_found_where_it_is() {
    let setups = two_jets();
    let folder = a_b_a(&setups);
    let found = compared(folder.path(), &["main jet 105", "main jet 110"]).unwrap();
    let comparison = &found.comparison;
    let [pair] = comparison.pairs.as_slice() else {
        panic!("one pair expected");
    };
    let truth = |rpm: f64| {
        pull_of(&setups[1]).mean_torque_nm(rpm) - pull_of(&setups[0]).mean_torque_nm(rpm)
    };
    for (rpm, (difference, band)) in comparison
        .rpm
        .iter()
        .zip(pair.difference_nm.iter().zip(&pair.band_nm))
    {
        // What smoothing rounds off of the dip is the same in all pulls, so no band can hold it.
        let allowed = band + 0.03;
        assert!(
            (difference - truth(*rpm)).abs() < allowed,
            "{rpm} rpm: {difference} ± {band}"
        );
    }
    let higher: Vec<_> = pair
        .regions
        .iter()
        .filter(|r| r.verdict == Verdict::Higher)
        .collect();
    assert_eq!(higher.len(), 1, "{:?}", pair.regions);
    assert!(higher[0].from_rpm < 5014.0 && higher[0].to_rpm > 5014.0);
    assert!(higher[0].from_rpm > 4000.0 && higher[0].to_rpm < 6000.0);
    let band = pair.band_nm.iter().copied().fold(0.0, f64::max);
    assert!((higher[0].high_nm - truth(5014.0)).abs() < band + 0.03);
    assert!(!pair.regions.iter().any(|r| r.verdict == Verdict::Lower));
    assert_eq!(comparison.setups[0].pulls.len(), 6);
    assert_eq!(comparison.setups[1].pulls.len(), 3);
    let drift = comparison.drift.unwrap();
    assert!(drift.returned && drift.removed);
}

#[test]
fn a_pull_given_up_is_left_out_and_named() {
    let folder = a_b_a(&two_jets());
    let found = compared(folder.path(), &["main jet 105", "main jet 110"]).unwrap();
    let [left] = found.left_out.as_slice() else {
        panic!("{:?}", found.left_out);
    };
    assert_eq!(left.pull.id.get(), 5);
    assert_eq!(left.reason, "aborted: the throttle was let go early");
}

#[test]
fn a_pull_that_a_person_excludes_is_left_out_until_they_include_it() {
    let folder = a_b_a(&two_jets());
    let both = ["main jet 105", "main jet 110"];
    let say = |pull: i64, reason: Option<&str>| {
        let request = ExclusionRequest {
            reason: reason.map(str::to_owned),
            by: "the owner".to_owned(),
        };
        let now = Now::new(0, 1_760_000_900_000_000);
        let mut store = Store::open(folder.path()).unwrap();
        store
            .add_event(&exclusion_event(PullId::new(pull), &request, now))
            .unwrap();
    };
    say(2, Some("misfired above 7,000 rpm"));
    let found = compared(folder.path(), &both).unwrap();
    assert_eq!(found.comparison.setups[0].pulls, ["1", "3", "8", "9", "10"]);
    assert_eq!(found.left_out[0].pull.id.get(), 2);
    assert_eq!(
        found.left_out[0].reason,
        "excluded by the owner: misfired above 7,000 rpm"
    );
    say(2, None);
    let found = compared(folder.path(), &both).unwrap();
    assert_eq!(found.comparison.setups[0].pulls.len(), 6);
    assert_eq!(found.left_out.len(), 1);
}

/// What no point of can be trusted, as where the stand file is wrong, ends no comparison of the others.
#[test]
fn a_pull_without_a_trustworthy_point_is_left_out() {
    let folder = a_b_a(&two_jets());
    let both = ["main jet 105", "main jet 110"];
    let before = compared(folder.path(), &both).unwrap();
    let hide = |pull: &str| {
        let file = folder.path().join(format!("curves/pull-{pull}.json"));
        let mut kept: Value = serde_json::from_slice(&std::fs::read(&file).unwrap()).unwrap();
        for column in ["rpm", "torque_nm", "systematic_nm"] {
            kept["curve"][column] = json!([]);
        }
        std::fs::write(&file, kept.to_string()).unwrap();
    };
    let [first, others @ ..] = before.comparison.setups[0].pulls.as_slice() else {
        panic!("{:?}", before.comparison.setups);
    };
    hide(first);
    let found = compared(folder.path(), &both).unwrap();
    assert_eq!(found.comparison.setups[0].pulls, others);
    let left = found
        .left_out
        .iter()
        .find(|it| it.pull.id.to_string() == *first);
    let reason = "no curve: no point is trustworthy; the remarks on the pull itself say why";
    assert_eq!(left.unwrap().reason, reason);
    let reader = StoreReader::open(folder.path()).unwrap();
    let jet = Some("main jet 105");
    let found = days_of_setup(&reader, jet, None, CurveChoice::default()).unwrap();
    let (units, found) = (DisplayUnits::SI, &found);
    let report = DaysReport { units, found };
    let said = format!("left out: pull {first} ({reason})");
    assert!(report.words().contains(&said), "{:?}", report.words());
    assert_eq!(report.json()["left_out"][0]["reason"], reason);
    let setups = before.comparison.setups.iter();
    setups.flat_map(|it| &it.pulls).for_each(|pull| hide(pull));
    let error = compared(folder.path(), &both).unwrap_err().to_string();
    assert!(
        error.starts_with("none of the setups has a pull that takes part"),
        "{error}"
    );
    assert!(error.contains(reason), "{error}");
}

/// The table over speed says at each how wide a feature has to be to show: in all pulls, so in the one that shows least.
#[test]
fn the_smallest_feature_is_told_at_each_speed() {
    let folder = a_b_a(&two_jets());
    let found = &compared(folder.path(), &["main jet 105", "main jet 110"]).unwrap();
    let (units, overlays) = (DisplayUnits::SI, &[][..]);
    let report = Report {
        units,
        found,
        overlays,
    };
    let table = report.speed_table(usize::MAX);
    assert_eq!(table.headings.last().unwrap(), "feature\nrpm");
    let store = folder.path().to_str().unwrap();
    let shown = found.pulls.iter().map(|it| {
        let pull = it.pull.id.to_string();
        Ran::of(&["show", &pull, "--json", "--store", store]).json()
    });
    let shown: Vec<Value> = shown.collect();
    for row in &table.rows {
        let of = |curve: &Value| {
            let mut speeds = curve["rpm"].as_array().unwrap().iter();
            let at = speeds.position(|it| format!("{:.0}", it.as_f64().unwrap()) == row[0]);
            curve["resolution_rpm"][at.unwrap()].as_f64().unwrap()
        };
        let widest = shown.iter().map(of).fold(0.0, f64::max);
        assert_eq!(row.last().unwrap(), &format!("{widest:.0}"), "{row:?}");
    }
    assert!(table.rows.len() > 20);
}

/// A kept curve is taken while what it was made from is the same, and only then.
#[test]
fn kept_curves_change_nothing() {
    let folder = a_b_a(&two_jets());
    let both = ["main jet 105", "main jet 110"];
    let first = compared(folder.path(), &both).unwrap();
    let file = folder.path().join("curves/pull-1.json");
    let text = std::fs::read_to_string(&file).unwrap();
    let again = compared(folder.path(), &both).unwrap();
    assert_eq!(again.pulls, first.pulls);
    assert_eq!(again.comparison, first.comparison);
    // Another curve under the same name is believed: that it is taken shows that it is read.
    let mut kept: Value = serde_json::from_str(&text).unwrap();
    kept["curve"]["air_factor"] = json!(1.5);
    std::fs::write(&file, kept.to_string()).unwrap();
    let taken = compared(folder.path(), &both).unwrap();
    assert!((taken.pulls[0].curve.air_factor - 1.5).abs() < 1e-12);
    // Made from something else, or cut off by a full disk, it is not.
    kept["made_from"] = json!("0");
    for spoilt in [kept.to_string(), text[..text.len() / 2].to_owned()] {
        std::fs::write(&file, spoilt).unwrap();
        let made_anew = compared(folder.path(), &both).unwrap();
        assert_eq!(made_anew.pulls, first.pulls);
    }
    // Another grid step is another curve.
    let reader = StoreReader::open(folder.path()).unwrap();
    let finer = CurveChoice {
        step_rpm: Some(50.0),
        ..CurveChoice::default()
    };
    let found = compare_setups(
        &reader,
        &names(&both),
        finer,
        &Options::default(),
        EngineSide::LeftOut,
        |_, _| {},
    );
    assert!(found.unwrap().comparison.rpm.len() > first.comparison.rpm.len());
}

#[test]
fn what_is_doubtful_about_a_pull_is_said() {
    let folder = a_b_a(&two_jets());
    let found = compared(folder.path(), &["main jet 105", "main jet 110"]).unwrap();
    assert!(found.pulls.iter().all(|pull| pull.reasons.is_empty()));
    // Doubts put into a kept curve, as a pull that went wrong would have them.
    let lossy = tempfile::tempdir().unwrap();
    let order = [0, 0, 1, 1].map(|setup| (setup, STORED));
    fill(lossy.path(), &two_jets(), &order, 3).unwrap();
    let file = lossy.path().join("curves");
    compared(lossy.path(), &["main jet 105", "main jet 110"]).unwrap();
    let file = file.join("pull-3.json");
    let mut kept: Value = serde_json::from_slice(&std::fs::read(&file).unwrap()).unwrap();
    kept["curve"]["raw"]["link_faults"] = json!(2);
    kept["curve"]["sweep_rpm_per_s"] = json!(100.0);
    kept["curve"]["air_factor_within_range"] = json!(false);
    std::fs::write(&file, kept.to_string()).unwrap();
    let found = compared(lossy.path(), &["main jet 105", "main jet 110"]).unwrap();
    let [frames, air, sweep] = found.pulls[2].reasons.as_slice() else {
        panic!("{:?}", found.pulls[2].reasons);
    };
    assert_eq!(frames, "2 frames lost or damaged on the way");
    assert!(air.contains("outside its valid range"));
    assert!(sweep.starts_with("sweep rate 100 rpm/s, -"), "{sweep}");
}

#[test]
fn what_cannot_be_compared_says_why() {
    let folder = a_b_a(&two_jets());
    let error = |setups: &[&str]| compared(folder.path(), setups).unwrap_err().to_string();
    assert_eq!(
        error(&["main jet 105", "main jet 115"]),
        "no setup is named \"main jet 115\"; there are \"main jet 105\", \"main jet 110\""
    );
    assert!(error(&["main jet 105", "main jet 105"]).contains("named twice"));
    let few = tempfile::tempdir().unwrap();
    let aborted = (1, PullState::Aborted);
    let order = [(0, STORED), (1, STORED), aborted, aborted];
    fill(few.path(), &two_jets(), &order, 1).unwrap();
    let error = compared(few.path(), &["main jet 105", "main jet 110"])
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("2 pulls with 2 setups") && error.contains("left out: pulls 3, 4 (aborted"),
        "{error}"
    );
}

fn run(folder: &Path, arguments: &[&str]) -> Result<String, String> {
    let folder = folder.to_str().unwrap();
    let ask = ["compare", "main jet 105", "main jet 110", "--store", folder];
    let run = Ran::of(&[&ask, arguments].concat());
    if run.code == Some(0) {
        Ok(run.out)
    } else {
        Err(run.err)
    }
}

fn numbers(value: &Value) -> Vec<f64> {
    let array = value.as_array().unwrap().iter();
    array.map(|number| number.as_f64().unwrap()).collect()
}

#[test]
fn json_holds_what_a_script_needs() {
    let mut setups = two_jets();
    setups[1].parts = json!({ "main jet": "110", "needle clip": "2", "sleeve": "3 mm" });
    let folder = a_b_a(&setups);
    let asked = [
        "--json",
        "--typical-refit",
        "0.05 %",
        "--margin",
        "0.2 N*m",
        "--range",
        "6500-8000",
        "--at",
        "5000,7000",
    ];
    let text = run(folder.path(), &asked).unwrap();
    let object: Value = serde_json::from_str(&text).unwrap();
    let rpm = numbers(&object["rpm"]);
    for key in [
        "difference_nm",
        "band_nm",
        "difference_w",
        "band_w",
        "detectable_by_rpm_nm",
    ] {
        assert_eq!(numbers(&object[key]).len(), rpm.len(), "{key}");
    }
    assert!(numbers(&object["band_nm"]).iter().all(|band| *band > 0.0));
    let regions = object["regions"].as_array().unwrap();
    assert!(regions.iter().any(|region| region["verdict"] == "higher"));
    for region in regions {
        for key in ["from_rpm", "to_rpm", "low_nm", "high_nm"] {
            assert!(region[key].is_f64(), "{key} of {region}");
        }
    }
    assert_eq!(object["crossovers"], json!([]));
    assert!(object["detectable_nm"].as_f64().unwrap() > 0.0);
    // Two parts were changed at once.
    assert_eq!(object["confounded_by"], json!(["main jet", "sleeve"]));
    assert_eq!(object["part_differences"][1]["first"], Value::Null);
    // Above the dip the jets are equal.
    assert_eq!(object["equivalence"]["range_rpm"], json!([6500.0, 8000.0]));
    assert_eq!(object["equivalence"]["equivalent"], true);
    let speeds = &object["setups"][0]["figures"]["at_speeds"];
    assert_eq!(speeds.as_array().unwrap().len(), 2);
    assert_eq!(object["left_out"][0]["pull"], 5);
    assert_eq!(object["pairs"][0]["regions"], object["regions"]);
    assert_eq!(object["setups"][1]["pulls"], json!(["4", "6", "7"]));
    let hash = object["pulls"][0]["sha256"].as_str().unwrap();
    assert!(hash.len() == 64 && hash.bytes().all(|digit| digit.is_ascii_hexdigit()));
}

#[test]
fn text_says_it_in_words_and_the_plot_is_written() {
    let folder = a_b_a(&two_jets());
    let plot = folder.path().join("plot.svg");
    let asked = [
        "--typical-refit",
        "0.05 %",
        "--plot",
        plot.to_str().unwrap(),
    ];
    let text = run(folder.path(), &asked).unwrap();
    for part in [
        "main jet 110 is higher from ",
        "no measurable difference (anything over ",
        "left out: pull 5, main jet 110: aborted: the throttle was let go early",
        "part: main jet, 110 against 105",
        "repeatability: standard deviation ",
        "what each session has of it, along its pulls, is taken out",
        "peak torque",
        "Torque difference",
    ] {
        assert!(text.contains(part), "\"{part}\" is not in\n{text}");
    }
    assert!(!text.contains("CONFOUNDED"));
    let svg = std::fs::read_to_string(plot).unwrap();
    assert!(svg.contains("main jet 110 less main jet 105"));
}

#[test]
fn bad_options_are_refused_with_what_was_expected() {
    let folder = a_b_a(&two_jets());
    for (arguments, said) in [
        (["--range", "5000"], "expected two engine speeds in rpm"),
        (["--range", "100-7000"], "within the "),
        (["--margin", "5 rpm"], "--margin: "),
        (["--typical-refit", "0.3"], "the unit is missing"),
        (
            ["--margin=-1 N*m", "--json"],
            "margin: expected a positive torque, found -1",
        ),
    ] {
        let error = run(folder.path(), &arguments).unwrap_err();
        assert!(error.contains(said), "{arguments:?}: {error}");
    }
}

/// Without repeats and without a typical value nothing is claimed, and the way out is said.
#[test]
fn without_memory_it_cant_tell() {
    let folder = a_b_a(&two_jets());
    let text = run(folder.path(), &[]).unwrap();
    for part in [
        "can't tell main jet 110 from main jet 105: how much putting a part back moves the torque is not known here",
        "put it back 3 more times",
        "from the plain numbers",
    ] {
        assert!(text.contains(part), "\"{part}\" is not in\n{text}");
    }
    assert!(!text.contains("is higher"), "{text}");
    let object: Value = serde_json::from_str(&run(folder.path(), &["--json"]).unwrap()).unwrap();
    assert_eq!(object["withheld"].as_array().unwrap().len(), 1);
    let verdicts = object["regions"].as_array().unwrap();
    assert!(
        verdicts
            .iter()
            .all(|region| region["verdict"] == "can't tell")
    );
}

/// Pulls from number `from` on were made so many days later.
fn days_later(folder: &Path, from: i64, days: i64) {
    let database = rusqlite::Connection::open(folder.join("leverarm.sqlite")).unwrap();
    database
        .execute(
            "UPDATE pulls SET started_wall_us = started_wall_us + ?2 WHERE id >= ?1",
            [from, days * 86_400_000_000],
        )
        .unwrap();
}

/// Pulls with two setups, the second from number `from` on a day later, that only a third links.
fn linked(order: &[usize], from: i64) -> TempDir {
    let [a, b] = two_jets();
    let renamed = |of: &SimulatedSetup, name: &str| SimulatedSetup {
        name: name.to_owned(),
        ..of.clone()
    };
    let setups = [
        a.clone(),
        renamed(&a, "needle clip 3"),
        renamed(&b, "main jet 110"),
    ];
    let folder = tempfile::tempdir().unwrap();
    let order: Vec<_> = order.iter().map(|setup| (*setup, STORED)).collect();
    fill(folder.path(), &setups, &order, 5).unwrap();
    days_later(folder.path(), from, 1);
    folder
}

/// Each was tested again after the third, or the third after it: drift can be told from the change, though
/// none of the two came back after the other.
#[test]
fn a_link_with_returns_is_no_want_of_a_return() {
    let remark = "no setup was tested again";
    let told = linked(&[0, 0, 1, 1, 0, 0, 1, 1, 2, 2, 1, 1], 7);
    let text = run(told.path(), &[]).unwrap();
    assert!(text.contains("can't tell main jet 110"), "{text}");
    assert!(
        !text.contains(remark) && !text.contains("nothing was tested again"),
        "{text}"
    );
    let one_way = linked(&[0, 0, 1, 1, 1, 1, 2, 2], 5);
    assert!(run(one_way.path(), &[]).unwrap().contains(remark));
}

/// Two setups that were never tested on one day, linked through a third.
#[test]
fn setups_are_linked_through_others() {
    let folder = linked(&[0, 1, 0, 1, 0, 1, 1, 2, 1, 2, 1], 7);
    let text = run(folder.path(), &["--json"]).unwrap();
    let object: Value = serde_json::from_str(&text).unwrap();
    let links = object["links"].as_array().unwrap();
    let names: Vec<(&str, &str)> = links
        .iter()
        .map(|link| (link["from"].as_str().unwrap(), link["to"].as_str().unwrap()))
        .collect();
    assert_eq!(
        names,
        [
            ("main jet 105", "needle clip 3"),
            ("needle clip 3", "main jet 110")
        ]
    );
    assert_eq!(object["withheld"], json!([]));
    assert_eq!(object["memory"]["sessions"], 2);
    assert_eq!(object["setups"].as_array().unwrap().len(), 2);
    let text = run(folder.path(), &[]).unwrap();
    assert!(
        text.contains("linked by main jet 105 and needle clip 3 on "),
        "{text}"
    );
}

/// Taken off and put back on is another build, by an event that older programs pass over.
#[test]
fn a_setup_put_back_is_another_build() {
    let folder = a_b_a(&two_jets());
    let builds = || {
        let found = compared(folder.path(), &["main jet 105", "main jet 110"]).unwrap();
        found.comparison.memory.builds
    };
    assert_eq!(builds(), 3);
    let reader = StoreReader::open(folder.path()).unwrap();
    let pulls = reader.pulls().unwrap();
    let now = Now::new(0, pulls[1].started_wall_us - 1_000_000);
    let mut store = Store::open(folder.path()).unwrap();
    store
        .add_event(&leverarm_analysis::mounting::event("main jet 105", now))
        .unwrap();
    drop(store);
    assert_eq!(builds(), 4);
}

/// Byte logs of old tests join with the parts that were on, and with mountings of their own.
#[test]
fn old_tests_come_with_their_parts_and_mountings() {
    let folder = a_b_a(&two_jets());
    let file = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let stand = file("stand.toml");
    std::fs::write(&stand, STAND).unwrap();
    let run = |arguments: &[&str]| Ran::of(&[arguments, &["--config", &stand]].concat());
    let old = file("old");
    let kept = folder.path().to_str().unwrap();
    let import = |pull: &str, began: &str, more: &[&str]| {
        let log = file(&format!("{pull}.bin"));
        run(&["export", pull, "--out", &log, "--store", kept]).ok();
        let all = [&["import", &log, "--store", &old, "--began", began], more].concat();
        run(&all)
    };
    let parts = ["--part", "main jet=105", "--part", "sleeve=3 mm; home-made"];
    import("1", "2026-05-03 14:20", &parts).fails_with(&["name it"]);
    let named = [&["--setup", "old sleeve"], &parts[..]].concat();
    import("1", "2026-05-03 14:20", &named).ok();
    import("1", "2026-05-04 14:20", &named).fails_with(&["in this store already"]);
    import("2", "2026-05-03 14:30", &["--setup", "old sleeve"]).ok();
    import(
        "3",
        "2026-05-03 14:40",
        &["--setup", "old sleeve", "--again"],
    )
    .ok();
    let others = ["--setup", "old sleeve", "--part", "sleeve=5 mm"];
    import("4", "2026-05-03 14:50", &others).fails_with(&["other parts"]);
    import("4", "2026-05-03 14:50", &["--setup", "Old Sleeve"])
        .fails_with(&["only in capital letters"]);

    let reader = StoreReader::open(Path::new(&old)).unwrap();
    let setups = reader.setups().unwrap();
    let [setup] = setups.as_slice() else {
        panic!("{setups:?}");
    };
    assert_eq!(
        setup.parts,
        json!({ "main jet": "105", "sleeve": { "value": "3", "unit": "mm", "note": "home-made" } })
    );
    let pulls = reader.pulls().unwrap();
    let builds = leverarm_analysis::mounting::builds(&reader, &pulls).unwrap();
    assert_eq!(builds.into_values().collect::<Vec<_>>(), [0, 0, 1]);
}

/// Each part with what was said of it and every test it was in; its picture goes with a copy of the store.
#[test]
fn the_shelf_knows_every_part_and_its_tests() {
    let folder = a_b_a(&two_jets());
    let now = Now::new(0, 0);
    let picture = folder.path().join("jet.png");
    std::fs::write(&picture, b"\x89PNG\r\n\x1a\n").unwrap();
    let word = ShelfWord {
        rating: Some(4),
        place: Some("drawer 2".to_owned()),
        picture: Some(keep_picture(folder.path(), &picture).unwrap()),
        ..ShelfWord::of("main jet=110").unwrap()
    };
    word.check().unwrap();
    let excluded = ExclusionRequest {
        reason: Some("misfired".to_owned()),
        by: String::new(),
    };
    let mut store = Store::open(folder.path()).unwrap();
    store.add_event(&word.event(now)).unwrap();
    let given_up = PullId::new(5);
    store
        .add_event(&exclusion_event(given_up, &excluded, now))
        .unwrap();
    drop(store);
    let copy = tempfile::tempdir().unwrap();
    let copy = copy.path().join("copy");
    StoreReader::open(folder.path())
        .unwrap()
        .backup(&copy)
        .unwrap();
    let parts = shelf(&StoreReader::open(&copy).unwrap()).unwrap();
    let names: Vec<String> = parts
        .iter()
        .map(|part| format!("{} {}", part.part, part.value))
        .collect();
    assert_eq!(names, ["main jet 105", "main jet 110", "needle clip 2"]);
    let jet = &parts[1];
    assert_eq!((jet.rating, &*jet.place), (Some(4), "drawer 2"));
    assert!(jet.picture.as_ref().unwrap().is_file());
    let [test] = &jet.tests[..] else {
        panic!("{:?}", jet.tests);
    };
    assert_eq!(
        (&*test.setup, &*test.beside),
        ("main jet 110", "needle clip 2")
    );
    assert_eq!(test.pulls, [4, 5, 6, 7].map(PullId::new));
    assert_eq!(test.excluded, [given_up]);
    // The clip was in both setups.
    assert_eq!(parts[2].tests.len(), 2);
    // On a sheet stands what was said, of the parts of its setups; where they lie is nobody else's.
    let found = compared(&copy, &["main jet 105", "main jet 110"]).unwrap();
    let report = Report {
        units: DisplayUnits::SI,
        found: &found,
        overlays: &[],
    };
    let facts = SheetFacts {
        shelf: parts,
        ..SheetFacts::default()
    };
    let blocks = Sheet::of(&report, &facts).blocks;
    let told = blocks.iter().find_map(|block| match block {
        Block::Table(rows) if rows.headings.iter().any(|h| h == "rating") => Some(&rows.rows),
        _ => None,
    });
    assert_eq!(
        told.unwrap()[..],
        [["main jet", "110", "4 of 5", "", "1", "4"].map(str::to_owned)]
    );
    assert!(!format!("{blocks:?}").contains("drawer 2"));
}
