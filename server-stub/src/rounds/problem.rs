//! The rounds as a problem in numbers: laptops that want a visit, site-days that offer minutes, parts that run short.
//!
//! ```text
//! maximise   Σ x(i,s) · v(i,s)  −  Σ y(s) · trip_cost(s)
//! v(i,s)   = benefit_per_day(i) · (horizon − day(s)) − cost(i)  [+ stay_bonus where i was planned at s before]
//! subject to Σ_s x(i,s) ≤ 1                                           a laptop is visited once or not at all
//!            Σ_i x(i,s) · minutes(i) ≤ y(s) · (minutes(s) − trip_minutes(s))
//!            Σ_i x(i,s) ≤ y(s) · max_visits(s)                         spare laptops
//!            Σ_{i needs p, day(s) < arrival(p)} x(i,s) ≤ stock(p)      parts in stock until ordered ones arrive
//!            x(i,s) = 0 where day(s) < earliest(i)                     a laptop that is snoozed
//!            x, y ∈ {0, 1}, i and s of the same site
//! ```
//!
//! A knapsack for every site-day with a fixed charge for going there, joined by laptops that may go on any day, by spare
//! laptops and by parts. Nothing here knows a name, a date or a file.

/// Index into [`Problem::slots`].
pub type SlotIdx = usize;
/// Index into [`Problem::items`].
pub type ItemIdx = usize;

/// A day at a site.
#[derive(Debug, Clone, PartialEq)]
pub struct Slot {
    /// The site, as an index.
    pub site: usize,
    /// Days since the plan's first day.
    pub day: u32,
    /// Technician minutes that day, the trip included.
    pub minutes: u32,
    /// Minutes of the trip.
    pub trip_minutes: u32,
    /// Cost of the trip, money.
    pub trip_cost: f64,
    /// Most visits that day.
    pub max_visits: u32,
}

impl Slot {
    /// Minutes without the trip.
    pub fn free_minutes(&self) -> u32 {
        self.minutes.saturating_sub(self.trip_minutes)
    }
}

/// A laptop that wants a visit.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    /// The site, as an index.
    pub site: usize,
    /// Minutes of the visit.
    pub minutes: u32,
    /// What each day of delay costs, money.
    pub benefit_per_day: f64,
    /// What the visit costs, money.
    pub cost: f64,
    /// Parts that it takes, one each, as indices.
    pub parts: Vec<usize>,
    /// First day, since the plan's first day, on which it may be visited.
    pub earliest: u32,
    /// Where it was planned before.
    pub stays_at: Option<SlotIdx>,
}

/// A part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part {
    /// How many are there.
    pub stock: u32,
    /// First day, since the plan's first day, on which ordered ones are there.
    pub arrival: u32,
}

/// The whole problem.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Problem {
    /// Site-days.
    pub slots: Vec<Slot>,
    /// Laptops.
    pub items: Vec<Item>,
    /// Parts.
    pub parts: Vec<Part>,
    /// Days for which a visit on the first day helps.
    pub horizon_days: f64,
    /// What it is worth to leave a visit where it was planned, money.
    pub stay_bonus: f64,
}

/// Where each laptop goes; `None`: it waits.
pub type Assignment = Vec<Option<SlotIdx>>;

impl Problem {
    /// What visiting `item` at `slot` is worth without the trip, money.
    pub fn value(&self, item: ItemIdx, slot: SlotIdx) -> f64 {
        let wanted = &self.items[item];
        let days_left = (self.horizon_days - f64::from(self.slots[slot].day)).max(0.0);
        let bonus = if wanted.stays_at == Some(slot) { self.stay_bonus } else { 0.0 };
        wanted.benefit_per_day * days_left - wanted.cost + bonus
    }

    /// The slots of each site, in the order of days.
    pub fn slots_by_site(&self) -> Vec<Vec<SlotIdx>> {
        let n_sites =
            1 + self.slots.iter().map(|s| s.site).chain(self.items.iter().map(|i| i.site)).max().unwrap_or(0);
        let mut by_site = vec![Vec::new(); n_sites];
        for (slot, of) in self.slots.iter().enumerate() {
            by_site[of.site].push(slot);
        }
        for slots in &mut by_site {
            slots.sort_by_key(|s| (self.slots[*s].day, *s));
        }
        by_site
    }

    /// The laptops of each site.
    pub fn items_by_site(&self) -> Vec<Vec<ItemIdx>> {
        let mut by_site = vec![Vec::new(); self.slots_by_site().len()];
        for (item, wanted) in self.items.iter().enumerate() {
            by_site[wanted.site].push(item);
        }
        by_site
    }

    /// Parts that a visit of `item` at `slot` takes from the stock, as ordered ones are not there yet.
    pub fn early_parts(&self, item: ItemIdx, slot: SlotIdx) -> impl Iterator<Item = usize> {
        let day = self.slots[slot].day;
        self.items[item].parts.iter().copied().filter(move |p| day < self.parts[*p].arrival)
    }

    /// Whether `slot` is too early for `item`.
    pub fn is_too_early(&self, item: ItemIdx, slot: SlotIdx) -> bool {
        self.slots[slot].day < self.items[item].earliest
    }

    /// Whether `item` can never be at `slot`: that is too early, or it takes a part of which there is none.
    pub fn is_barred(&self, item: ItemIdx, slot: SlotIdx) -> bool {
        self.is_too_early(item, slot) || self.early_parts(item, slot).any(|p| self.parts[p].stock == 0)
    }

    /// The objective of an assignment, the stay bonus included, money.
    pub fn objective(&self, assignment: &Assignment) -> f64 {
        let mut is_open = vec![false; self.slots.len()];
        let mut total = 0.0;
        for (item, slot) in assignment.iter().enumerate() {
            if let Some(slot) = *slot {
                total += self.value(item, slot);
                is_open[slot] = true;
            }
        }
        total
            - self
                .slots
                .iter()
                .zip(&is_open)
                .filter(|(_, open)| **open)
                .map(|(s, _)| s.trip_cost)
                .sum::<f64>()
    }

    /// The first rule that an assignment breaks, in words.
    ///
    /// # Errors
    /// Where it breaks one.
    pub fn check(&self, assignment: &Assignment) -> Result<(), String> {
        if assignment.len() != self.items.len() {
            return Err(format!("{} laptops placed of {}", assignment.len(), self.items.len()));
        }
        let mut minutes = vec![0_u64; self.slots.len()];
        let mut visits = vec![0_u32; self.slots.len()];
        let mut early = vec![0_u32; self.parts.len()];
        for (item, slot) in assignment.iter().enumerate() {
            let (wanted, Some(slot)) = (&self.items[item], *slot) else { continue };
            let offered = self.slots.get(slot).ok_or_else(|| format!("no slot {slot}"))?;
            if offered.site != wanted.site {
                return Err(format!("laptop {item} is of another site than slot {slot}"));
            }
            if self.is_too_early(item, slot) {
                return Err(format!(
                    "laptop {item} may be visited from day {}, slot {slot} is earlier",
                    wanted.earliest
                ));
            }
            minutes[slot] += u64::from(wanted.minutes);
            visits[slot] += 1;
            for part in &wanted.parts {
                early[*part] += u32::from(offered.day < self.parts[*part].arrival);
            }
        }
        for (slot, offered) in self.slots.iter().enumerate() {
            let needed = minutes[slot] + u64::from(offered.trip_minutes);
            if visits[slot] > 0 && (needed > u64::from(offered.minutes) || visits[slot] > offered.max_visits)
            {
                return Err(format!(
                    "slot {slot}: {needed} minutes, {} visits, but {offered:?}",
                    visits[slot]
                ));
            }
        }
        let short = self.parts.iter().zip(&early).position(|(part, used)| *used > part.stock);
        short.map_or(Ok(()), |part| Err(format!("part {part}: {} used before others arrive", early[part])))
    }
}
