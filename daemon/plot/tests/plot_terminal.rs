//! The terminal plot, character by character.

mod common;

use leverarm_plot::{Mark, Panel, Plot, Shade, text};

use common::{axis, series};

fn two_jets() -> Plot {
    Plot {
        title: "Main jet 105 and 110".into(),
        x: axis("Engine speed", "rpm", 3000.0, 9000.0),
        panels: vec![Panel {
            y: axis("Torque", "N·m", 6.0, 12.0),
            series: vec![
                series(
                    "main jet 105",
                    0,
                    &[(3000.0, 8.0), (6000.0, 11.0), (9000.0, 7.0)],
                ),
                series(
                    "main jet 110",
                    1,
                    &[(3000.0, 7.0), (6500.0, 11.5), (9000.0, 8.0)],
                ),
            ],
            marks: vec![Mark::Peak {
                x: 6500.0,
                y: 11.5,
                label: "11.5 N·m at 6500 rpm".into(),
                style: 1,
            }],
            ..Panel::default()
        }],
        shades: vec![Shade {
            low: 3000.0,
            high: 3400.0,
            label: "clutch slipping".into(),
        }],
        ..Plot::default()
    }
}

fn show(plot: &Plot, columns: usize, rows: usize) -> String {
    // A line break before the first line, so that the expected text stands in a column.
    format!("\n{}", text(plot, columns, rows))
}
#[test]
fn two_series_are_told_apart_by_letters() {
    assert_eq!(
        show(&two_jets(), 60, 20),
        "
Main jet 105 and 110
Torque, N·m
12 ┤░░░░
   │░░░░                         ⢀B⠔⠉⠒⠤⣀
11 ┤░░░░                    A⠤⡴⠞⠛⠥⣀     ⠑⠢⢄
   │░░░░               ⣀⡠⠔⣊⠭⠒⠉     ⠉⠒⢄⡀    ⠉⠢B
10 ┤░░░░          ⢀⡠⠔⠒⢉B⠒⠉            ⠈A⠢⢄    ⠉⠒⢄⡀
   │░░░░     ⢀⣀⠤⠒A⢁⡠⠔⠊⠁                   ⠉⠒⠤⡀   ⠈⠑⠢⣀
 9 ┤░░░░ ⣀⠤⠒⠊⠁ ⣀⠤⠒⠁                          ⠈⠑⠢⢄⡀   ⠉⠢⢄B
 8 ┤⣀⠤A⠊⠉  ⢀B⠒⠉                                  ⠈A⠤⣀   ⠈⠑⠤⣀
   │░░░⢀⡠⠔⠊⠁                                         ⠉⠢⢄⡀
 7 ┤⣀⠤⠊⠁                                                ⠈⠑⠢⣀
   │░░░░
 6 ┤░░░░
   └─────────┬──────────────────┬─────────────────┬─────────
           4000               6000              8000
                                           Engine speed, rpm
A  main jet 105
B  main jet 110   11.5 N·m at 6500 rpm
░  clutch slipping
"
    );
}

#[test]
fn a_difference_shows_its_band_its_zero_and_its_gap() {
    let mut plot = two_jets();
    plot.title = "Main jet 110 minus 105".into();
    plot.shades.clear();
    let line = [
        (3000.0, -1.0),
        (6000.0, 1.0),
        (f64::NAN, 0.0),
        (7000.0, 1.0),
        (9000.0, 1.0),
    ];
    let mut difference = series("110 minus 105", 0, &line);
    difference.band = Some(vec![(3000.0, -1.8, -0.2), (9000.0, 0.4, 1.6)]);
    plot.panels = vec![Panel::of(
        axis("Difference", "N·m", -2.0, 2.0),
        vec![difference],
    )];
    assert_eq!(
        show(&plot, 50, 16),
        "
Main jet 110 minus 105
Difference, N·m
 2 ┤
   │                                          ····
 1 ┤                     ⣀⡠⠄      ⠠⠤⠤⠤⠤⠤⠤⠤⠤⠤⠤⠤⠤⠤⠤⠤
   │                ⢀⡠⠤⠒⠉·························
   │          ··⣀⠤⠒⠊⠁·························
 0 ┤───────⣀⠤⠔⠊⠉──────────────────────────────────
   │··⢀⡠⠔⠒⠉··················
−1 ┤⠒⠉⠁·············
   │········
−2 ┤
   └───────┬───────────────┬──────────────┬───────
         4000            6000           8000
                                 Engine speed, rpm
110 minus 105
"
    );
}

#[test]
fn a_second_panel_comes_when_there_is_room() {
    let mut plot = two_jets();
    plot.panels.push(Panel::of(
        axis("Power", "kW", 0.0, 8.0),
        vec![series("main jet 105", 0, &[(3000.0, 2.5), (9000.0, 7.0)])],
    ));
    let low = text(&plot, 60, 20);
    let high = text(&plot, 60, 32);
    assert!(
        low.contains("Torque, N·m") && !low.contains("Power, kW"),
        "{low}"
    );
    assert!(
        high.contains("Torque, N·m") && high.contains("Power, kW"),
        "{high}"
    );
}

#[test]
fn nothing_to_draw_says_so() {
    assert!(text(&Plot::default(), 40, 12).contains("no data"));
    assert!(text(&Plot::default(), 0, 0).contains("no data"));
}

#[test]
fn a_label_can_not_steer_the_terminal() {
    let mut plot = two_jets();
    plot.title = "\u{1b}[2Jjet\r\n".into();
    let text = text(&plot, 60, 20);
    assert!(
        text.starts_with("\u{fffd}[2Jjet\u{fffd}\u{fffd}\n"),
        "{text}"
    );
}
