//! The last move: some days are emptied together and filled anew in another order.
//!
//! One day at a time cannot leave a plan in which every single day is well filled but two would be better off with each
//! other's laptops, nor hand a scarce part from one site to another. So a few days are drawn by lot, emptied, and each
//! filled exactly; kept where the whole got better, else undone. A large neighbourhood search (P. Shaw, "Using constraint
//! programming and local search methods to solve vehicle routing problems", 1998, cited from memory). The lot is the same
//! for the same problem.

use super::super::problem::SlotIdx;
use super::{Draft, MIN_GAIN, Worth};

/// Cells of all tables in all trials: some hundredths of a second.
const MAX_CELLS: usize = 25_000_000;
/// What undoing costs for each laptop of the site, in cells.
const N_UNDO: usize = 20;
/// Most trials.
const MAX_TRIALS: usize = 20_000;
/// Most days emptied together.
const MAX_DAYS: usize = 4;

/// A plain generator (splitmix64, S. Vigna, public domain).
struct Lot(u64);

impl Lot {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) % n.max(1) as u64) as usize
    }
}

impl Draft<'_> {
    /// Tries until the cells are used up.
    pub(super) fn reopen_days(&mut self) {
        let mut lot = Lot(self.problem.items.len() as u64);
        let sites: Vec<usize> = (0..self.by_site.len())
            .filter(|s| !self.by_site[*s].is_empty() && !self.items_of_site[*s].is_empty())
            .collect();
        if sites.is_empty() {
            return;
        }
        let mut n_cells = 0;
        for trial in 0..MAX_TRIALS {
            let site = sites[trial % sites.len()];
            // Now and then the days of two sites, so that a part may change its site.
            let has_parts = !self.problem.parts.is_empty();
            let other = if has_parts && lot.below(3) == 0 { sites[lot.below(sites.len())] } else { site };
            let n_days = 2 + lot.below(MAX_DAYS - 1);
            let mut days: Vec<SlotIdx> = Vec::new();
            for n in 0..n_days {
                let of = &self.by_site[if n % 2 == 0 { site } else { other }];
                let slot = of[lot.below(of.len())];
                if !days.contains(&slot) {
                    days.push(slot);
                }
            }
            n_cells += days.iter().map(|s| self.cells_of(*s)).sum::<usize>();
            if n_cells > MAX_CELLS {
                break;
            }
            let worth = if lot.below(2) == 0 { Worth::AsPlaced } else { Worth::AtPrices };
            self.try_reopen(&days, worth);
        }
    }

    fn cells_of(&self, slot: SlotIdx) -> usize {
        let offered = &self.problem.slots[slot];
        let n_items = self.items_of_site[offered.site].len();
        // Where spare units run short, the table has a layer for each.
        let n_layers =
            if (offered.max_visits as usize) < n_items { offered.max_visits as usize + 1 } else { 1 };
        let table = (offered.minutes as usize).min(super::MAX_STEPS as usize) * n_items * n_layers;
        table.min(super::MAX_CELLS) + N_UNDO * n_items
    }

    fn try_reopen(&mut self, days: &[SlotIdx], worth: Worth) {
        let mut sites: Vec<usize> = days.iter().map(|s| self.problem.slots[*s].site).collect();
        sites.sort_unstable();
        sites.dedup();
        let before: Vec<_> = sites.iter().flat_map(|s| self.placed_at(*s)).collect();
        let total = self.total;
        for slot in days {
            for item in self.placed[*slot].clone() {
                self.remove(item);
            }
        }
        for slot in days {
            self.refill(self.problem.slots[*slot].site, *slot, worth);
        }
        for site in &sites {
            self.insert_waiting(*site);
        }
        if self.total <= total + MIN_GAIN {
            for (item, _) in sites.iter().flat_map(|s| self.placed_at(*s)).collect::<Vec<_>>() {
                self.remove(item);
            }
            for (item, slot) in before {
                self.place(item, slot);
            }
            self.total = total;
        }
    }
}
