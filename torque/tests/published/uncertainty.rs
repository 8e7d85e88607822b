//! Uncertainty budgets against the worked examples of JCGM 100 and JCGM 101.

use crate::common::{Noise, close, close_rel, same};
use leverarm_torque::comparison::two_sample::upper_tail;
use leverarm_torque::uncertainty::{
    Budget, BudgetError, BudgetLine, Correlation, CoverageError, Evaluation, Measured,
    coverage_factor, propagate,
};

fn line(source: &str, u: f64, dof: f64, sensitivity: f64) -> BudgetLine {
    BudgetLine {
        source: source.into(),
        value: 0.0,
        unit: "nm".into(),
        standard_uncertainty: u,
        evaluation: Evaluation::TypeB,
        degrees_of_freedom: dof,
        sensitivity,
        common: false,
    }
}

#[test]
fn student_t_table() {
    // scipy 1.17.1 stats.t.ppf; two-sided 95 %, 99 % and 90 %.
    let table = [
        (0.95, 1.0, 12.706_204_736_174_694),
        (0.95, 2.0, 4.302_652_729_749_462),
        (0.95, 3.0, 3.182_446_305_283_707_8),
        (0.95, 4.0, 2.776_445_105_197_793_4),
        (0.95, 5.0, 2.570_581_835_636_314_6),
        (0.95, 6.0, 2.446_911_851_144_978_6),
        (0.95, 7.0, 2.364_624_251_592_784),
        (0.95, 8.0, 2.306_004_135_204_166),
        (0.95, 9.0, 2.262_157_162_798_205),
        (0.95, 10.0, 2.228_138_851_986_274),
        (0.95, 12.0, 2.178_812_829_667_228_4),
        (0.95, 15.0, 2.131_449_545_559_776),
        (0.95, 16.0, 2.119_905_299_221_254_6),
        (0.95, 18.0, 2.100_922_040_241_038_2),
        (0.95, 20.0, 2.085_963_447_265_864),
        (0.95, 25.0, 2.059_538_552_753_297_2),
        (0.95, 30.0, 2.042_272_456_301_237_8),
        (0.95, 40.0, 2.021_075_390_306_273),
        (0.95, 60.0, 2.000_297_822_014_260_4),
        (0.95, 100.0, 1.983_971_518_523_551_8),
        (0.95, 1000.0, 1.962_339_080_826_408_3),
        (0.95, 1001.0, 1.962_336_705_280_879_8),
        (0.95, 2500.0, 1.960_913_344_795_567),
        (0.95, 1e6, 1.959_966_356_814_107),
        (0.99, 1001.0, 2.580_749_768_750_524_5),
        (0.99, 1e4, 2.576_321_046_668_528),
        (0.99, 3.0, 5.840_909_309_733_355),
        (0.99, 5.0, 4.032_142_983_555_228),
        (0.99, 9.0, 3.249_835_541_592_126),
        (0.99, 10.0, 3.169_272_672_616_95),
        (0.99, 16.0, 2.920_781_622_425_1),
        (0.99, 20.0, 2.845_339_709_786_107_7),
        (0.99, 30.0, 2.749_995_653_567_225_4),
        (0.90, 4.0, 2.131_846_786_326_649_5),
        (0.90, 8.0, 1.859_548_037_530_897_3),
        (0.90, 14.0, 1.761_310_135_774_891),
        (0.90, 20.0, 1.724_718_242_920_786_6),
        (0.90, 28.0, 1.701_130_934_265_931_3),
    ];
    for (probability, dof, expected) in table {
        let found = coverage_factor(probability, dof).unwrap();
        close(&format!("t {probability} {dof}"), found, expected, 1e-9);
    }
    // No step where the expansion takes over, and its end is the normal distribution's 1.96.
    let (below, above) = (
        coverage_factor(0.95, 1000.0),
        coverage_factor(0.95, 1_000.000_1),
    );
    close("seam", above.unwrap(), below.unwrap(), 1e-9);
    let normal = coverage_factor(0.95, f64::INFINITY).unwrap();
    close("normal", normal, 1.959_963_984_540_054, 1e-11);
    for bad in [0.0, 1.0, 95.0, f64::NAN] {
        assert!(
            matches!(
                coverage_factor(bad, 5.0),
                Err(CoverageError::Probability(_))
            ),
            "{bad}"
        );
    }
    for bad in [0.0, -1.0, f64::NAN] {
        let found = coverage_factor(0.95, bad);
        assert!(
            matches!(found, Err(CoverageError::DegreesOfFreedom(_))),
            "{bad}"
        );
    }
}

/// scipy 1.17.1 stats.t.sf: small tails show where the normal distribution alone is too thin (8.0 at
/// 1001 degrees: 1.7e-15 beside 6.2e-16).
#[test]
fn student_t_tails_of_many_degrees() {
    for (t, dof, expected) in [
        (0.5, 1001.0, 0.308_592_485_478_699_5),
        (1.96, 2500.0, 0.025_053_361_387_759_33),
        (4.0, 1001.0, 3.400_256_921_948_445e-5),
        (4.0, 1e5, 3.169_399_877_859_77e-5),
        (8.0, 1001.0, 1.711_667_172_116_59e-15),
        (8.0, 2500.0, 9.423_583_078_007_381e-16),
    ] {
        let tail = upper_tail(t, dof);
        assert!((tail / expected - 1.0).abs() < 1e-8, "{t} {dof}: {tail}");
        assert!((tail + upper_tail(-t, dof) - 1.0).abs() < 1e-12);
    }
    assert_eq!(upper_tail(0.0, f64::INFINITY), 0.5);
    // 1.959964: the normal distribution's 97.5 %.
    close(
        "normal",
        upper_tail(1.959_963_984_540_054, f64::INFINITY),
        0.025,
        1e-11,
    );
}

#[test]
fn end_gauge() {
    // JCGM 100:2008, H.1. Inputs seen in MSLNZ/GTC examples/GUM_H1.py, whose GTC 1.5.1 gives
    // u_c 31.664 nm and 16.75 degrees of freedom; the GUM prints 32 nm and 16 (from memory).
    let rectangular = |half_width: f64| Measured::within(0.0, half_width).standard_uncertainty;
    let length_nm = 50.000_623e6;
    let alpha_per_k = 11.5e-6;
    let theta_k = -0.1;
    let comparator = Budget::independent(vec![
        line("mean of five", 5.8, 24.0, 1.0),
        line("comparator, random", 3.9, 5.0, 1.0),
        line("comparator, systematic", 6.7, 8.0, 1.0),
    ]);
    let difference = comparator.evaluate(0.99).unwrap().total;
    close("u(d)", difference.standard_uncertainty, 9.7, 0.05);
    // 25.6 in the GUM, from the rounded 9.7 nm.
    close("ν(d)", difference.degrees_of_freedom, 25.6, 0.2);
    let gauge = Budget::independent(vec![
        line("standard", 25.0, 18.0, 1.0),
        line(
            "comparison",
            difference.standard_uncertainty,
            difference.degrees_of_freedom,
            1.0,
        ),
        // Their sensitivities are zero: equal materials, equal temperatures.
        line(
            "expansion coefficient",
            rectangular(2e-6),
            f64::INFINITY,
            0.0,
        ),
        line("temperature of the bed", 0.41, f64::INFINITY, 0.0),
        line(
            "difference in expansion",
            rectangular(1e-6),
            50.0,
            -length_nm * theta_k,
        ),
        line(
            "difference in temperature",
            rectangular(0.05),
            2.0,
            -length_nm * alpha_per_k,
        ),
    ]);
    let found = gauge.evaluate(0.99).unwrap();
    close("u_c", found.total.standard_uncertainty, 31.664, 0.001);
    close("ν", found.total.degrees_of_freedom, 16.75, 0.01);
    // k 2.92 and U 93 nm in the GUM, which truncates ν to 16 and rounds u_c to 32; 92.5 with its
    // k and the unrounded u_c. Interpolated between ν 16 and 17 it is a little less.
    close("k at 16", coverage_factor(0.99, 16.0).unwrap(), 2.92, 0.005);
    close("U", found.total.expanded_uncertainty, 92.5, 1.0);
    close("shares", found.shares.iter().sum(), 1.0, 1e-12);
    let variance = found.total.standard_uncertainty.powi(2);
    same("share of the standard", found.shares[0], 625.0 / variance);
    // Welch–Satterthwaite on the printed, rounded inputs; computed.
    let rounded = Budget::independent(vec![
        line("standard", 25.0, 18.0, 1.0),
        line("comparison", 9.7, 25.6, 1.0),
        line("difference in expansion", 2.9, 50.0, 1.0),
        line("difference in temperature", 16.6, 2.0, 1.0),
    ]);
    let found = rounded.evaluate(0.99).unwrap().total;
    close_rel("u_c, rounded", found.standard_uncertainty, 31.671_122, 1e-6);
    close_rel("ν, rounded", found.degrees_of_freedom, 16.764_6, 1e-4);
}

#[test]
fn correlated_inputs() {
    // JCGM 100:2008, H.3.4: correction at 30 °C from a fitted line, −0.1494(41) °C. The two
    // coefficients have r = −0.930; leaving it out would give 0.0073 °C.
    let lines = vec![
        BudgetLine {
            value: -0.171_2,
            ..line("intercept", 0.002_877_6, 9.0, 1.0)
        },
        BudgetLine {
            value: 0.002_18,
            ..line("slope", 0.000_667_938_773, 9.0, 10.0)
        },
    ];
    let correlations = vec![Correlation {
        first: 0,
        second: 1,
        coefficient: -0.930_429_6,
    }];
    let budget = Budget {
        lines: lines.clone(),
        correlations,
    };
    let found = budget.evaluate(0.95).unwrap();
    close_rel(
        "u",
        found.total.standard_uncertainty,
        0.004_138_595_75,
        1e-4,
    );
    close("shares", found.shares.iter().sum(), 1.0, 1e-12);
    let apart = Budget::independent(lines).evaluate(0.95).unwrap();
    close(
        "u without r",
        apart.total.standard_uncertainty,
        0.007_27,
        5e-5,
    );
}

#[test]
fn split_between_stand_and_pull() {
    let budget = Budget::independent(vec![
        BudgetLine {
            common: true,
            ..line("drum inertia", 3.0, f64::INFINITY, 1.0)
        },
        BudgetLine {
            common: true,
            ..line("arm", 2.0, f64::INFINITY, -2.0)
        },
        line("air", 6.0, f64::INFINITY, 2.0),
    ]);
    let found = budget.evaluate(0.95).unwrap();
    close("common", found.common.standard_uncertainty, 5.0, 1e-12);
    close(
        "pull to pull",
        found.pull_to_pull.standard_uncertainty,
        12.0,
        1e-12,
    );
    close("total", found.total.standard_uncertainty, 13.0, 1e-12);
    close(
        "expanded",
        found.total.expanded_uncertainty,
        13.0 * 1.959_963_984_540_054,
        1e-9,
    );
    assert_eq!(found.total.degrees_of_freedom, f64::INFINITY);
    for (share, expected) in found.shares.iter().zip([9.0, 16.0, 144.0]) {
        close("share", *share, expected / 169.0, 1e-12);
    }
}

/// Half-width of the interval that covers 95 % of the sum of the inputs, by Monte Carlo.
fn monte_carlo_half_width(seed: u64, draw: impl Fn(&mut Noise) -> f64) -> (f64, f64) {
    let trials = 400_000;
    let mut noise = Noise::new(seed);
    let mut sums: Vec<f64> = (0..trials).map(|_| draw(&mut noise).abs()).collect();
    sums.sort_by(f64::total_cmp);
    let variance = sums.iter().map(|s| s * s).sum::<f64>() / f64::from(trials);
    (variance.sqrt(), sums[380_000])
}

#[test]
fn additive_model_of_jcgm_101() {
    // JCGM 101:2008, 9.2: Y = X1 + X2 + X3 + X4 with unit variances.
    let unit = |u| line("X", u, f64::INFINITY, 1.0);
    let budget = Budget::independent(vec![unit(1.0); 4])
        .evaluate(0.95)
        .unwrap()
        .total;
    close("u", budget.standard_uncertainty, 2.0, 1e-12);
    close("GUM interval", budget.expanded_uncertainty, 3.92, 0.001);
    // 9.2.2: all normal; Monte Carlo agrees with the budget.
    let (u, half_width) = monte_carlo_half_width(1, |n| (0..4).map(|_| n.normal()).sum());
    close("normal u", u, budget.standard_uncertainty, 0.01);
    close(
        "normal interval",
        half_width,
        budget.expanded_uncertainty,
        0.03,
    );
    // 9.2.3: all rectangular; 3.88 = 2√3 (2 − (3/5)^¼), and the budget is on the safe side.
    let (u, half_width) = monte_carlo_half_width(2, |n| (0..4).map(|_| n.rectangular()).sum());
    close("rectangular u", u, budget.standard_uncertainty, 0.01);
    close(
        "rectangular interval",
        half_width,
        3.879_406_741_347_821,
        0.03,
    );
    assert!(budget.expanded_uncertainty > 3.879_406_741_347_821);
    // 9.2.4: one of them ten times wider: u 10.1, interval ± 17.0 (from memory, verified by
    // another Monte Carlo), where the budget says ± 19.9.
    let budget =
        Budget::independent(vec![unit(1.0), unit(1.0), unit(1.0), unit(10.0)]).evaluate(0.95);
    let budget = budget.unwrap().total;
    close("u, one wide", budget.standard_uncertainty, 10.15, 0.005);
    let (u, half_width) = monte_carlo_half_width(3, |n| {
        (0..3).map(|_| n.rectangular()).sum::<f64>() + 10.0 * n.rectangular()
    });
    close("one wide, u", u, budget.standard_uncertainty, 0.05);
    close("one wide, interval", half_width, 17.0, 0.1);
    close("one wide, budget", budget.expanded_uncertainty, 19.9, 0.05);
}

#[test]
fn propagation_of_a_formula() {
    // P = T ω at 10 ± 0.1 N·m and 800 ± 4 rad/s: relative variances add (JCGM 100:2008, 5.1.6).
    let power = propagate(
        [Measured::new(10.0, 0.1), Measured::new(800.0, 4.0)],
        |[t, w]| t * w,
    );
    close("P", power.value, 8000.0, 1e-9);
    close_rel(
        "u(P)",
        power.relative_standard_uncertainty(),
        1.25e-4_f64.sqrt(),
        1e-9,
    );
    // ± a with equal probability: a/√3 (4.3.7).
    close(
        "rectangular",
        Measured::within(5.0, 0.3).standard_uncertainty,
        0.173_205_080_8,
        1e-9,
    );
}

#[test]
fn budgets_that_cannot_be() {
    assert_eq!(Budget::default().evaluate(0.95), Err(BudgetError::Empty));
    let message = |budget: Budget| budget.evaluate(0.95).unwrap_err().to_string();
    let with = |lines: Vec<BudgetLine>, first, second, coefficient| {
        message(Budget {
            lines,
            correlations: vec![Correlation {
                first,
                second,
                coefficient,
            }],
        })
    };
    let bad = message(Budget::independent(vec![line("air", -1.0, 5.0, 1.0)]));
    assert!(
        bad.contains("\"air\", standard uncertainty: expected 0 or more, found -1"),
        "{bad}"
    );
    let bad = message(Budget::independent(vec![line("air", 1.0, 0.5, 1.0)]));
    assert!(
        bad.contains("degrees of freedom: expected 1 or more, found 0.5"),
        "{bad}"
    );
    let bad = message(Budget::independent(vec![line("air", 1.0, 5.0, f64::NAN)]));
    assert!(bad.contains("sensitivity"), "{bad}");
    let two = || vec![line("a", 1.0, 5.0, 1.0), line("b", 1.0, 5.0, 1.0)];
    for (first, second, coefficient) in [(0, 2, 0.5), (1, 1, 0.5), (0, 1, 1.5)] {
        let bad = with(two(), first, second, coefficient);
        assert!(bad.contains("expected a correlation within"), "{bad}");
    }
    let split = vec![
        BudgetLine {
            common: true,
            ..line("a", 1.0, 5.0, 1.0)
        },
        line("b", 1.0, 5.0, 1.0),
    ];
    let bad = with(split, 0, 1, 0.5);
    assert!(
        bad.contains("\"a\" is common to all pulls and \"b\" is not"),
        "{bad}"
    );
    // Three inputs cannot all be fully opposed to each other.
    let correlations = [(0, 1), (0, 2), (1, 2)]
        .map(|(first, second)| Correlation {
            first,
            second,
            coefficient: -1.0,
        })
        .to_vec();
    let lines = vec![
        line("a", 1.0, 5.0, 1.0),
        line("b", 1.0, 5.0, 1.0),
        line("c", 1.0, 5.0, 1.0),
    ];
    let bad = message(Budget {
        lines,
        correlations,
    });
    assert!(bad.contains("contradict each other"), "{bad}");
    assert!(matches!(
        Budget::independent(two()).evaluate(95.0),
        Err(BudgetError::Coverage(CoverageError::Probability(_)))
    ));
}

#[test]
fn full_cancellation_leaves_nothing() {
    let budget = Budget {
        lines: vec![line("a", 0.3, 5.0, 1.0), line("b", 0.1, 5.0, -3.0)],
        correlations: vec![Correlation {
            first: 0,
            second: 1,
            coefficient: 1.0,
        }],
    };
    let found = budget.evaluate(0.95).unwrap().total;
    close("u", found.standard_uncertainty, 0.0, 1e-7);
}
