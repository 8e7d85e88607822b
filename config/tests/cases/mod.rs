//! Cases in a text, one a line: cells apart by " | ", a line break in a cell written as \n.

pub(crate) fn cases<const N: usize>(text: &str) -> Vec<[String; N]> {
    let lines = text.lines().filter(|line| !line.starts_with("# "));
    let cells = |line: &str| -> Vec<String> {
        let cells = line.split(" | ");
        cells.map(|cell| cell.replace("\\n", "\n")).collect()
    };
    lines
        .map(|line| cells(line).try_into().expect("all cells"))
        .collect()
}
