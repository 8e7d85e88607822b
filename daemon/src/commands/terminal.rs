//! What a terminal gets: how wide it is, whether it has colours, text and tables that fit.

use std::fmt;
use std::io::IsTerminal;

use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, TableComponent, presets};
use indicatif::{ProgressBar, ProgressStyle};
use unicode_width::UnicodeWidthStr;

/// Pipes and files are as wide as most terminals are when they open.
const USUAL_COLUMNS: usize = 80;
/// Nothing is laid out for less.
const COLUMNS_MIN: usize = 40;
/// A column of text is folded down to this, or to its longest word.
const TEXT_MIN: usize = 12;
/// Between two columns.
const GAP: usize = 2;

/// Columns to write for: what the variable COLUMNS says, else the terminal at stdout.
pub(super) fn columns() -> usize {
    let said = std::env::var("COLUMNS")
        .ok()
        .and_then(|text| text.parse().ok());
    let terminal = || {
        let (width, _) = terminal_size::terminal_size_of(std::io::stdout())?;
        Some(usize::from(width.0)).filter(|columns| *columns > 0)
    };
    said.or_else(terminal)
        .unwrap_or(USUAL_COLUMNS)
        .max(COLUMNS_MIN)
}

/// Whether stderr takes colours: a terminal, and no variable NO_COLOR.
pub(super) fn stderr_has_colour() -> bool {
    let refused = std::env::var_os("NO_COLOR").is_some_and(|said| !said.is_empty());
    std::io::stderr().is_terminal() && !refused
}

/// A bar for work on so many pulls.
pub(super) fn bar_of_pulls(pulls: usize) -> ProgressBar {
    bar("pull {pos} of {len} reduced", pulls)
}

/// A bar for work on so many things, drawn on stderr, and only where that is a terminal.
pub(super) fn bar(what: &str, count: usize) -> ProgressBar {
    let bar = ProgressBar::new(count as u64);
    match ProgressStyle::with_template(&format!("{{bar:30}} {what}, {{eta}} left")) {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}

/// A table that fits: headings and columns of text are folded, and what still does not fit goes into
/// further tables below, each with the first column. Nothing is left out.
#[derive(Debug, Clone)]
pub(super) struct Table {
    headings: Vec<String>,
    rows: Vec<Vec<String>>,
    is_number: Vec<bool>,
}

impl Table {
    pub(super) fn new<T: Into<String>>(headings: impl IntoIterator<Item = T>) -> Self {
        let headings = headings.into_iter().map(Into::<String>::into);
        let headings: Vec<String> = headings
            .map(|heading| heading.trim_end_matches('\n').to_owned())
            .collect();
        Self {
            is_number: vec![false; headings.len()],
            headings,
            rows: Vec::new(),
        }
    }

    pub(super) fn add_row<T: Into<String>>(&mut self, row: impl IntoIterator<Item = T>) {
        self.rows.push(row.into_iter().map(Into::into).collect());
    }

    pub(super) fn add_rows(&mut self, rows: &[Vec<String>]) {
        self.rows.extend_from_slice(rows);
    }

    /// These columns hold numbers: aligned to the right, and never folded.
    pub(super) fn align_right(&mut self, columns: impl IntoIterator<Item = usize>) {
        for column in columns {
            if let Some(is_number) = self.is_number.get_mut(column) {
                *is_number = true;
            }
        }
    }

    fn cell<'a>(&'a self, row: &'a [String], column: usize) -> &'a str {
        row.get(column).map_or("", String::as_str)
    }

    /// Widths of a column: as it is, with its heading folded, with its text folded.
    fn widths(&self, column: usize) -> [usize; 3] {
        let wide = |text: &str| text.split('\n').map(str::width).max().unwrap_or(0);
        let word = |text: &str| text.split_whitespace().map(str::width).max().unwrap_or(0);
        let heading = self.headings.get(column).map_or("", String::as_str);
        let cells = || self.rows.iter().map(|row| self.cell(row, column));
        let content = cells().map(wide).max().unwrap_or(0);
        let content_word = cells().map(word).max().unwrap_or(0);
        let whole = content.max(wide(heading));
        let below_heading = content.max(word(heading));
        let is_number = self.is_number.get(column).copied().unwrap_or(false);
        let least = if is_number {
            below_heading
        } else {
            content_word
                .max(word(heading))
                .max(TEXT_MIN.min(below_heading))
        };
        [whole, below_heading, least]
    }

    /// Columns that belong together: a number and the ± after it, and those under one heading. One with nothing in
    /// it is left out: it would still be drawn a column wide.
    fn groups(&self) -> Vec<Vec<usize>> {
        let mut groups: Vec<Vec<usize>> = Vec::new();
        let columns = self.headings.iter().enumerate();
        for (column, heading) in columns.filter(|it| self.widths(it.0)[0] > 0) {
            let goes_along = heading.starts_with('\n') || heading.starts_with('±');
            match groups.last_mut() {
                Some(group) if goes_along => group.push(column),
                _ => groups.push(vec![column]),
            }
        }
        groups
    }

    /// The columns of each table, so that each fits in so many columns of a terminal.
    fn parts(&self, columns: usize) -> Vec<Vec<usize>> {
        let least = |group: &[usize]| -> usize {
            let widths = group.iter().map(|column| self.widths(*column)[2] + GAP);
            widths.sum()
        };
        let mut groups = self.groups().into_iter();
        let key = groups.next().unwrap_or_default();
        let mut parts = vec![key.clone()];
        for group in groups {
            let Some(last) = parts.last_mut() else {
                break;
            };
            // A gap stands between columns, not after the last.
            if last.len() > key.len() && least(last) + least(&group) > columns + GAP {
                parts.push([key.clone(), group].concat());
            } else {
                last.extend(group);
            }
        }
        parts
    }

    /// Widths of the columns of one table: headings are folded first, then the widest texts.
    fn fitted(&self, part: &[usize], columns: usize) -> Vec<usize> {
        let widths: Vec<[usize; 3]> = part.iter().map(|column| self.widths(*column)).collect();
        let room = (columns + GAP).saturating_sub(GAP * part.len());
        let all = |step: usize| widths.iter().map(|it| it[step]).collect::<Vec<usize>>();
        let (whole, mut given) = (all(0), all(1));
        if whole.iter().sum::<usize>() <= room {
            return whole;
        }
        while given.iter().sum::<usize>() > room {
            let can_shrink = |place: &usize| given[*place] > widths[*place][2];
            let widest = (0..given.len())
                .filter(can_shrink)
                .max_by_key(|place| given[*place]);
            match widest {
                Some(place) => given[place] -= 1,
                None => break,
            }
        }
        given
    }

    fn drawn(&self, part: &[usize], columns: usize) -> String {
        let mut table = comfy_table::Table::new();
        table.load_preset(presets::NOTHING);
        table.set_style(TableComponent::HeaderLines, '─');
        table.set_style(TableComponent::MiddleHeaderIntersections, '─');
        table.set_content_arrangement(ContentArrangement::Dynamic);
        // The columns' own widths count, whatever they sum up to.
        table.set_width(u16::MAX);
        let of = |row: &[String]| -> Vec<String> {
            let cells = part.iter().map(|column| self.cell(row, *column).to_owned());
            cells.collect()
        };
        table.set_header(of(&self.headings));
        table.add_rows(self.rows.iter().map(|row| of(row)));
        for ((place, column), width) in part.iter().enumerate().zip(self.fitted(part, columns)) {
            if let Some(drawn) = table.column_mut(place) {
                let padding = u16::from(place + 1 < part.len());
                drawn.set_padding((0, padding));
                let width = u16::try_from(width).unwrap_or(u16::MAX) + padding;
                drawn.set_constraint(ColumnConstraint::Absolute(comfy_table::Width::Fixed(width)));
                if self.is_number.get(*column) == Some(&true) {
                    drawn.set_cell_alignment(CellAlignment::Right);
                }
            }
        }
        let drawn = table.to_string();
        let lines: Vec<&str> = drawn.lines().map(str::trim_end).collect();
        lines.join("\n")
    }

    fn text(&self, columns: usize) -> String {
        let parts = self.parts(columns);
        let drawn: Vec<String> = parts.iter().map(|part| self.drawn(part, columns)).collect();
        drawn.join("\n\n")
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text(columns()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn widest(text: &str) -> usize {
        text.lines().map(str::width).max().unwrap_or(0)
    }

    #[test]
    fn a_table_that_fits_stays_as_it_is() {
        let mut table = Table::new(["pull", "torque"]);
        table.add_row(["1", "11.02"]);
        table.align_right([1]);
        assert_eq!(table.text(80), "pull  torque\n────────────\n1      11.02");
    }

    #[test]
    fn wide_tables_fold_their_text_and_keep_their_numbers() {
        // The last column is empty: it takes no room.
        let mut table = Table::new(["event", "what", "rpm", ""]);
        table.add_row([
            "1",
            "one two three four five six seven eight nine ten",
            "8500",
            "",
        ]);
        table.align_right([2]);
        let text = table.text(40);
        assert!(widest(&text) <= 40, "{text}");
        for word in ["one", "ten", "8500"] {
            assert!(text.contains(word), "{text}");
        }
    }

    #[test]
    fn what_does_not_fit_goes_below_with_the_first_column() {
        let mut table = Table::new(["rpm", "one", "±", "two", "±", "three", "±"]);
        let cells = [
            "6000",
            "1000000001",
            "2000000",
            "3000000001",
            "4000000",
            "5000000001",
            "6000000",
        ];
        table.add_row(cells);
        table.align_right(0..7);
        let text = table.text(50);
        assert!(widest(&text) <= 50, "{text}");
        assert_eq!(
            text.matches("6000\n").count() + text.matches("6000  ").count(),
            2,
            "{text}"
        );
        for cell in cells {
            assert!(text.contains(cell), "{text}");
        }
        // A number and its ± stay in one table.
        let line = text.lines().find(|line| line.contains("5000000001"));
        assert!(line.is_some_and(|line| line.contains("6000000")), "{text}");
    }
}
