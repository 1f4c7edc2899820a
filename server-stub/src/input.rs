//! What is wrong with an input file: every complaint with its line and column.

use std::fmt;

/// Most complaints that are kept and shown: past some, the file is another one than was meant.
pub const MAX_COMPLAINTS: usize = 20;

/// One thing that is wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Complaint {
    /// Line, from 1; 0: the file as a whole.
    pub line: usize,
    /// Column in characters, from 1; 0: the line as a whole.
    pub column: usize,
    /// What.
    pub what: String,
}

impl Complaint {
    /// About the file as a whole.
    pub fn whole(what: impl Into<String>) -> Self {
        Self { line: 0, column: 0, what: what.into() }
    }

    /// At a line and column, from 1.
    pub fn at(line: usize, column: usize, what: impl Into<String>) -> Self {
        Self { line, column, what: what.into() }
    }

    /// At a byte of the text.
    pub fn at_offset(text: &str, offset: usize, what: impl Into<String>) -> Self {
        let before = &text.as_bytes()[..offset.min(text.len())];
        let line_start = before.iter().rposition(|b| *b == b'\n').map_or(0, |at| at + 1);
        // Counted without decoding, so that an offset within a character harms nothing.
        let column = 1 + before[line_start..].iter().filter(|b| **b & 0xC0 != 0x80).count();
        Self::at(before.split(|b| *b == b'\n').count(), column, what)
    }
}

impl fmt::Display for Complaint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.line, self.column) {
            (0, _) => write!(f, "{}", self.what),
            (line, 0) => write!(f, "line {line}: {}", self.what),
            (line, column) => write!(f, "line {line}, column {column}: {}", self.what),
        }
    }
}

/// All that is wrong, in the order found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Complaints {
    first: Vec<Complaint>,
    n_more: usize,
}

impl Complaints {
    /// A single one.
    pub fn one(complaint: Complaint) -> Self {
        Self { first: vec![complaint], n_more: 0 }
    }

    /// One more.
    pub fn push(&mut self, complaint: Complaint) {
        if self.first.len() < MAX_COMPLAINTS {
            self.first.push(complaint);
        } else {
            self.n_more += 1;
        }
    }

    /// Those that are kept.
    pub fn iter(&self) -> impl Iterator<Item = &Complaint> {
        self.first.iter()
    }

    /// The value where nothing is wrong.
    ///
    /// # Errors
    /// Itself, where something is.
    pub fn or<T>(self, value: T) -> Result<T, Self> {
        if self.first.is_empty() { Ok(value) } else { Err(self) }
    }
}

impl fmt::Display for Complaints {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (idx, complaint) in self.first.iter().enumerate() {
            let separator = if idx == 0 { "" } else { "\n  " };
            write!(f, "{separator}{complaint}")?;
        }
        if self.n_more > 0 {
            write!(f, "\n  and {} more", self.n_more)?;
        }
        Ok(())
    }
}

impl std::error::Error for Complaints {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_byte_becomes_line_and_column_in_characters() {
        let text = "one\nså lang\n";
        let at = |offset| Complaint::at_offset(text, offset, "").to_string();
        assert_eq!(at(0), "line 1, column 1: ");
        assert_eq!(at(4), "line 2, column 1: ");
        assert_eq!(at(7), "line 2, column 3: ", "the letter before it has two bytes");
        assert_eq!(at(999), "line 3, column 1: ");
    }

    #[test]
    fn complaints_past_the_limit_are_counted() {
        let mut all = Complaints::default();
        for line in 1..=MAX_COMPLAINTS + 2 {
            all.push(Complaint::at(line, 1, "wrong"));
        }
        assert_eq!(all.iter().count(), MAX_COMPLAINTS);
        assert!(all.to_string().ends_with("and 2 more"));
        assert_eq!(Complaints::default().or(3), Ok(3));
    }
}
