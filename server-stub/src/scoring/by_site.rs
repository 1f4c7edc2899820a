//! From runs and services to each laptop's cooling condition.
//!
//! What a site's laptops say of its air goes into each of them, so that a site is judged as a whole; one site after the
//! other, so that neither the evidence of a large fleet nor what its filters make of it is ever held whole.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::sync::Arc;

use windrow_model::condition::channel_sets::{Judges, Measured};
use windrow_model::condition::constants::Constants;
use windrow_model::condition::evidence::RunEvidence;
use windrow_model::condition::judge::{Condition, Weighed};
use windrow_model::condition::laptop::Laptop;
use windrow_model::condition::site::{Classes, NO_SITE, SiteAir};
use windrow_model::condition::standing::ModelStanding;
use windrow_model::estimate::joint_model::Channels;
use windrow_model::estimate::workers::Workers;

use super::MS_PER_DAY;
use super::around::{self, ServiceDay};
use super::conditions::{EvidenceSource, Learned, ModelOf, ServicesOf, ms_of_day};
use super::runs::{Run, RunRef};
use crate::effects::{Effects, VisitEffect};
use crate::store::{EpochMs, StoreError};
use crate::workers::Pool;

/// Laptops judged in one go, unless a site has more: some megabytes of evidence, and enough for all cores.
const BATCH: usize = 4_000;

/// A laptop's condition and what it rests on.
#[derive(Debug, Clone)]
pub(super) struct Conditioned {
    pub(super) condition: Box<Condition>,
    /// What its site says of its vents' rate of wear.
    pub(super) site: Classes,
    /// With which channels the laptops are measured that it was compared with.
    pub(super) measured: Channels,
    /// When the last of the runs that it rests on was made.
    pub(super) fitted_at_ms: EpochMs,
    pub(super) n_runs: usize,
}

/// All conditions of a fleet.
pub(super) struct Conditions {
    /// By laptop and model.
    of: Vec<(Arc<str>, Arc<ModelOf>, Option<Conditioned>)>,
    effects: Vec<(String, VisitEffect)>,
}

impl Conditions {
    /// What each visit did, by laptop.
    pub(super) fn take_effects(&mut self) -> Effects {
        Effects::new(std::mem::take(&mut self.effects).into_iter())
    }

    /// A laptop's condition among its model; given once.
    pub(super) fn take(&mut self, run: &Run) -> Option<Conditioned> {
        let key = (&*run.device_id, &run.kind.of);
        let place = self.of.binary_search_by(|(id, of, _)| (&**id, &**of).cmp(&key)).ok()?;
        self.of[place].2.take()
    }
}

/// Judges every laptop within its model, each at its latest run until the time asked for. Where later runs are left out,
/// the models' references are learned without them.
///
/// # Errors
/// If evidence cannot be read.
pub(super) fn conditions<E: EvidenceSource>(
    runs: &[RunRef],
    learned: &mut Learned<E>,
    services: &ServicesOf,
    days: &BTreeMap<String, Vec<ServiceDay>>,
    as_of_ms: EpochMs,
) -> Result<Conditions, StoreError> {
    let k = Constants::default();
    let Learned { models, evidence } = learned;
    let reading = Reading { runs, evidence: &*evidence, services, as_of_ms };
    let mut laptops = reading.laptops(models);
    learn_cut_references(&k, models, &laptops, &reading)?;
    // What a site's laptops say of its air is multiplied in this order.
    laptops.sort_by(|a, b| (a.site_key(), a.of, a.device_id).cmp(&(b.site_key(), b.of, b.device_id)));
    let sites: Vec<&[LaptopOfModel<'_>]> =
        laptops.chunk_by(|a, b| a.site_key() == b.site_key()).flat_map(pieces).collect();
    let judging = Judging {
        k: &k,
        judges: models.iter().map(|(of, m)| (of, (Arc::new(of.clone()), m.judges(&k)))).collect(),
        days,
        today: as_of_ms as f64 / MS_PER_DAY as f64,
    };
    let mut out = Conditions { of: Vec::with_capacity(laptops.len()), effects: Vec::new() };
    let mut effects: Vec<(&LaptopOfModel<'_>, VisitEffect)> = Vec::new();
    for batch in batches(&sites) {
        for (laptop, judged) in judging.batch(&sites[batch], &reading)? {
            effects.extend(judged.effects.into_iter().map(|e| (laptop, e)));
            let of = Arc::clone(&judging.judges[laptop.of].0);
            out.of.push((Arc::clone(laptop.device_id), of, Some(judged.conditioned)));
        }
    }
    out.of.sort_by(|a, b| (&a.0, &a.1).cmp(&(&b.0, &b.1)));
    effects.sort_by(|(a, _), (b, _)| (a.of, a.device_id).cmp(&(b.of, b.device_id)));
    out.effects = effects.into_iter().map(|(laptop, e)| (laptop.device_id.to_string(), e)).collect();
    Ok(out)
}

/// Of models that have later runs than are looked at.
fn learn_cut_references<E: EvidenceSource>(
    k: &Constants,
    models: &mut BTreeMap<ModelOf, Arc<ModelStanding>>,
    laptops: &[LaptopOfModel<'_>],
    reading: &Reading<'_, E>,
) -> Result<(), StoreError> {
    let mut cut: BTreeMap<&ModelOf, Vec<&LaptopOfModel<'_>>> =
        reading.cut().into_iter().map(|of| (of, Vec::new())).collect();
    for laptop in laptops {
        if let Some(of_model) = cut.get_mut(laptop.of) {
            of_model.push(laptop);
        }
    }
    for (of, mut laptops) in cut.into_iter().filter(|(_, laptops)| !laptops.is_empty()) {
        laptops.sort_by_key(|l| l.device_id);
        let Some(standing) = models.get_mut(of) else { continue };
        Arc::make_mut(standing).learn_reference(k, reading.read(&laptops)?, &Pool);
    }
    Ok(())
}

/// A laptop's runs of one model until the time asked for; at least one of them has evidence.
struct LaptopOfModel<'a> {
    of: &'a ModelOf,
    device_id: &'a Arc<str>,
    /// That of the laptop's latest run, of whatever model.
    site: &'a str,
    /// Where all its runs stand.
    places: Range<usize>,
}

impl LaptopOfModel<'_> {
    fn site_key(&self) -> (&str, &str) {
        (&self.of.provenance, self.site)
    }
}

/// A site that isn't known says nothing: its laptops needn't be judged together.
fn pieces<'a, 'b>(site: &'b [LaptopOfModel<'a>]) -> impl Iterator<Item = &'b [LaptopOfModel<'a>]> {
    let is_known = site.first().is_some_and(|l| !l.site.is_empty());
    site.chunks(if is_known { site.len() } else { BATCH })
}

/// Sites that are judged in one go: so many that they have [`BATCH`] laptops.
fn batches(sites: &[&[LaptopOfModel<'_>]]) -> Vec<Range<usize>> {
    let mut out = Vec::new();
    let (mut from, mut n) = (0, 0);
    for (at, site) in sites.iter().enumerate() {
        n += site.len();
        if n >= BATCH || at + 1 == sites.len() {
            out.push(from..at + 1);
            (from, n) = (at + 1, 0);
        }
    }
    out
}

/// What is read of all runs.
struct Reading<'a, E> {
    runs: &'a [RunRef],
    evidence: &'a E,
    services: &'a ServicesOf,
    as_of_ms: EpochMs,
}

impl<'a, E: EvidenceSource> Reading<'a, E> {
    fn is_seen(&self, run: &RunRef) -> bool {
        run.tested_at_ms <= self.as_of_ms
    }

    /// Those of models that have a standing.
    fn laptops(&self, models: &BTreeMap<ModelOf, Arc<ModelStanding>>) -> Vec<LaptopOfModel<'a>> {
        let mut out = Vec::new();
        let mut from = 0;
        for of_device in self.runs.chunk_by(|a, b| a.device_id == b.device_id) {
            let places = from..from + of_device.len();
            from = places.end;
            // Of runs at the same time, the later in the list.
            let latest = of_device.iter().filter(|r| self.is_seen(r)).max_by_key(|r| r.tested_at_ms);
            let Some(latest) = latest else { continue };
            let tells = |r: &&RunRef| self.is_seen(r) && self.evidence.has(r.run_id);
            let of: BTreeSet<&ModelOf> = of_device.iter().filter(tells).map(|r| &r.kind.of).collect();
            out.extend(of.into_iter().filter(|of| models.contains_key(of)).map(|of| LaptopOfModel {
                of,
                device_id: &latest.device_id,
                site: &latest.kind.site,
                places: places.clone(),
            }));
        }
        out
    }

    /// Models with later runs than are looked at.
    fn cut(&self) -> BTreeSet<&'a ModelOf> {
        let later = self.runs.iter().filter(|r| !self.is_seen(r) && self.evidence.has(r.run_id));
        later.map(|r| &r.kind.of).collect()
    }

    /// Laptops with their evidence, in their order.
    fn read(&self, laptops: &[&LaptopOfModel<'_>]) -> Result<Vec<Laptop>, StoreError> {
        let mut out = Vec::with_capacity(laptops.len());
        for part in laptops.chunks(BATCH) {
            let ids: Vec<Vec<i64>> = part.iter().map(|l| self.run_ids(l)).collect();
            let mut evidence = self.evidence.read(ids.concat())?.into_iter();
            for (laptop, ids) in part.iter().zip(ids) {
                out.push(self.laptop(laptop, evidence.by_ref().take(ids.len()).collect()));
            }
        }
        Ok(out)
    }

    fn run_ids(&self, laptop: &LaptopOfModel<'_>) -> Vec<i64> {
        let of_laptop = self.runs[laptop.places.clone()].iter();
        let seen = of_laptop.filter(|r| r.kind.of == *laptop.of && self.is_seen(r)).map(|r| r.run_id);
        seen.filter(|id| self.evidence.has(*id)).collect()
    }

    fn laptop(&self, laptop: &LaptopOfModel<'_>, mut runs: Vec<RunEvidence>) -> Laptop {
        runs.sort_by(|a, b| a.day.total_cmp(&b.day));
        Laptop {
            device: laptop.device_id.to_string(),
            services: self.services.get(&**laptop.device_id).cloned().unwrap_or_default(),
            as_of: runs.last().map_or(0.0, |r| r.day),
            runs,
        }
    }
}

/// What all batches are judged by.
struct Judging<'a> {
    k: &'a Constants,
    judges: BTreeMap<&'a ModelOf, (Arc<ModelOf>, Judges<'a>)>,
    days: &'a BTreeMap<String, Vec<ServiceDay>>,
    today: f64,
}

/// A judged laptop.
struct Judged {
    conditioned: Conditioned,
    effects: Vec<VisitEffect>,
}

impl Judging<'_> {
    /// Some sites' laptops, in their order.
    fn batch<'b, 'r, E: EvidenceSource>(
        &self,
        sites: &[&'b [LaptopOfModel<'r>]],
        reading: &Reading<'_, E>,
    ) -> Result<Vec<(&'b LaptopOfModel<'r>, Judged)>, StoreError> {
        let places: Vec<(usize, &LaptopOfModel<'_>)> =
            sites.iter().enumerate().flat_map(|(at, site)| site.iter().map(move |l| (at, l))).collect();
        let laptops = reading.read(&places.iter().map(|(_, l)| *l).collect::<Vec<_>>())?;
        let of_model = places.iter().zip(laptops);
        let laptops: Vec<Measured<'_, '_>> =
            of_model.map(|((_, l), laptop)| self.judges[l.of].1.measured(laptop)).collect();
        let weighed: Vec<(Weighed, Classes)> = Pool.map(laptops.len(), |i| {
            let Measured { judge, laptop, .. } = &laptops[i];
            let weighed = judge.weigh(laptop);
            let classes = judge.classes(&weighed);
            (weighed, classes)
        });
        let airs = self.airs(sites, &weighed);
        let judged =
            Pool.map(laptops.len(), |i| self.judged(&laptops[i], &weighed[i], airs[places[i].0].as_ref()));
        Ok(places.into_iter().map(|(_, laptop)| laptop).zip(judged).collect())
    }

    /// What the laptops of each site say of its air.
    fn airs(&self, sites: &[&[LaptopOfModel<'_>]], weighed: &[(Weighed, Classes)]) -> Vec<Option<SiteAir>> {
        let mut said = weighed.iter().map(|(_, own)| own);
        let air = |site: &&[LaptopOfModel<'_>]| {
            let of_site: Vec<&Classes> = said.by_ref().take(site.len()).collect();
            let is_known = site.first().is_some_and(|l| !l.site.is_empty());
            is_known.then(|| SiteAir::learn(&self.k.air, of_site))
        };
        sites.iter().map(air).collect()
    }

    fn judged(
        &self,
        Measured { judge, channels, laptop }: &Measured<'_, '_>,
        (weighed, own): &(Weighed, Classes),
        air: Option<&SiteAir>,
    ) -> Judged {
        let site = air.map_or(NO_SITE, |air| air.for_one(own));
        let condition = Box::new(judge.at_site(laptop, weighed, &site));
        let days = self.days.get(&laptop.device);
        let effects = days.map_or_else(Vec::new, |days| around::effects(judge, laptop, days, self.today));
        let fitted_at_ms = ms_of_day(laptop.as_of);
        let n_runs = laptop.runs.len();
        let conditioned = Conditioned { condition, site, measured: *channels, fitted_at_ms, n_runs };
        Judged { conditioned, effects }
    }
}
