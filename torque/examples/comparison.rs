//! Eight pulls with two setups in four mountings, compared: `cargo run -p leverarm-torque --example comparison`.

#![expect(clippy::print_stdout, reason = "telling is what it is for")]

use leverarm_torque::comparison::{ComparisonError, Options, Pull, Sampled, compare};

fn main() -> Result<(), ComparisonError> {
    // The second setup gives 0.5 N·m more; no two pulls are quite alike.
    let pulls: Vec<Pull> = [-0.03, 0.01, 0.48, 0.52, 0.02, -0.01, 0.51, 0.49]
        .into_iter()
        .zip(0_u32..)
        .map(|(more_nm, number)| Pull {
            label: (number + 1).to_string(),
            setup: usize::from(number / 2 % 2 == 1),
            build: number as usize / 2,
            time_s: 60.0 * f64::from(number),
            curve: (0..50)
                .map(|step| {
                    Sampled::new(
                        4000.0 + 100.0 * f64::from(step),
                        11.0 - 0.0004 * f64::from(step * step) + more_nm,
                        0.1,
                    )
                })
                .collect(),
        })
        .collect();
    let names = ["main jet 105".to_owned(), "main jet 110".to_owned()];
    let comparison = compare(&names, &pulls, &Options::default())?;
    for pair in &comparison.pairs {
        let points = comparison.rpm.iter().zip(&pair.difference_nm);
        for ((rpm, difference_nm), band_nm) in points.zip(&pair.band_nm).step_by(10) {
            println!("{rpm:.0} rpm: {difference_nm:+.2} ± {band_nm:.2} N·m");
        }
    }
    Ok(())
}
