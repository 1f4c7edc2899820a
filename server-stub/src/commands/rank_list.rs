//! The rank as a list for people: a heading a band, and under it each laptop with its reason in whole lines, at any width.

use unicode_width::UnicodeWidthStr;
use windrow_model::verdict::wrap;

use crate::fleet_table::{Explained, Shown};
use crate::scoring::Band;

/// Narrowest and widest list, columns: below, words would be cut; above, lines are hard to follow with the eye.
const MIN_WIDTH: usize = 60;
const MAX_WIDTH: usize = 110;
/// Columns where nobody tells the width, as in a file.
const UNTOLD_WIDTH: usize = 100;
/// Between columns.
const GAP: &str = "  ";

/// All rows in their order; a heading wherever the band changes.
pub(super) fn list(rows: &[Explained], width: Option<usize>) -> String {
    let width = width.unwrap_or(UNTOLD_WIDTH).clamp(MIN_WIDTH, MAX_WIDTH);
    let shown: Vec<(Band, Shown<'_>)> = rows.iter().map(|r| (r.band(), r.shown())).collect();
    let columns = Columns::of(&shown);
    let mut lines: Vec<String> = Vec::new();
    let mut under: Option<Band> = None;
    for (band, laptop) in &shown {
        if under.replace(*band) != Some(*band) {
            if !lines.is_empty() {
                lines.push(String::new());
            }
            lines.push(band.words().to_owned());
        }
        lines.extend(columns.head(laptop, width));
        let indent = " ".repeat(columns.indent());
        lines.extend(wrap(laptop.reason, width - columns.indent()).iter().map(|l| format!("{indent}{l}")));
    }
    lines.join("\n")
}

/// Widths in columns of a terminal.
struct Columns {
    rank: usize,
    laptop: usize,
    model: usize,
    site: usize,
}

impl Columns {
    fn of(shown: &[(Band, Shown<'_>)]) -> Self {
        let widest = |cell: fn(&Shown<'_>) -> usize| shown.iter().map(|(_, s)| cell(s)).max().unwrap_or(0);
        Self {
            rank: widest(|s| s.rank.to_string().len()),
            laptop: widest(|s| s.laptop.width()),
            model: widest(|s| s.model.width()),
            site: widest(|s| s.site.width()),
        }
    }

    /// Where the words after the rank begin.
    fn indent(&self) -> usize {
        GAP.len() + self.rank + GAP.len()
    }

    /// Which laptop it is: in columns where they fit, else in words.
    fn head(&self, s: &Shown<'_>, width: usize) -> Vec<String> {
        let rank = format!("{GAP}{:>1$}{GAP}", s.rank, self.rank);
        let tested = format!("tested {}", s.tested_on);
        let columns = [
            padded(&s.laptop, self.laptop),
            padded(s.model, self.model),
            padded(s.site, self.site),
            tested.clone(),
        ]
        .join(GAP);
        if rank.len() + columns.width() <= width {
            return vec![rank + &columns];
        }
        let words = format!("{}, {}, {}, {tested}", s.laptop, s.model, s.site);
        let lines = wrap(&words, width - self.indent());
        let before = |n: usize| if n == 0 { rank.clone() } else { " ".repeat(self.indent()) };
        lines.iter().enumerate().map(|(n, line)| before(n) + line).collect()
    }
}

fn padded(text: &str, width: usize) -> String {
    format!("{text}{}", " ".repeat(width.saturating_sub(text.width())))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(rank: usize, laptop: &str, site: &'static str) -> (Band, Shown<'static>) {
        let (model, reason) = ("Fenlow 13", "nothing asks for a visit");
        (
            Band::NoVisit,
            Shown { rank, laptop: laptop.to_owned(), model, site, reason, tested_on: "2026-03-14" },
        )
    }

    #[test]
    fn columns_line_up_whatever_the_script_and_become_words_where_they_do_not_fit() {
        let two = [shown(9, "A-1", "Ost"), shown(10, "長野-2", "West")];
        let columns = Columns::of(&two);
        let heads: Vec<String> = two.iter().flat_map(|(_, s)| columns.head(s, 100)).collect();
        assert_eq!(
            heads,
            [
                "   9  A-1     Fenlow 13  Ost   tested 2026-03-14",
                "  10  長野-2  Fenlow 13  West  tested 2026-03-14",
            ]
        );
        let narrow = columns.head(&two[0].1, 30);
        assert_eq!(narrow, ["   9  A-1, Fenlow 13, Ost,", "      tested 2026-03-14"]);
    }
}
