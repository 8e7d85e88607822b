//! Texts in the cells of CSV files.

use std::borrow::Cow;

/// What a spreadsheet takes for the beginning of a formula: OWASP, "CSV Injection"
/// (owasp.org/www-community/attacks/CSV_Injection).
const FORMULA_SIGNS: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];
const SHIELD: char = '\'';

/// Whether a spreadsheet could take a text for a formula, however many shields it has.
fn is_like_formula(text: &str) -> bool {
    text.trim_start_matches(SHIELD).starts_with(FORMULA_SIGNS)
}

/// A text as a cell of a CSV file: with an apostrophe before what a spreadsheet could run as a
/// formula, as its users write it themselves. [`text_of_cell`] takes it off again.
#[must_use]
pub fn text_cell(text: &str) -> Cow<'_, str> {
    if is_like_formula(text) {
        format!("{SHIELD}{text}").into()
    } else {
        text.into()
    }
}

/// The text of a cell that [`text_cell`] made.
#[must_use]
pub fn text_of_cell(cell: &str) -> &str {
    cell.strip_prefix(SHIELD)
        .filter(|_| is_like_formula(cell))
        .unwrap_or(cell)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_text_comes_back_and_none_begins_a_formula() {
        let mut texts = vec![String::new()];
        // All texts of up to four of these signs.
        for _ in 0..4 {
            let longer = texts.iter().flat_map(|text| {
                "=+-@\t\r' a1"
                    .chars()
                    .map(move |sign| format!("{text}{sign}"))
            });
            let longer: Vec<String> = longer.collect();
            texts.extend(longer);
        }
        for text in &texts {
            let cell = text_cell(text);
            assert!(!cell.starts_with(FORMULA_SIGNS), "{cell:?}");
            assert_eq!(text_of_cell(&cell), text);
            assert!(cell == *text || text.trim_start_matches('\'').starts_with(FORMULA_SIGNS));
        }
    }
}
