//! Server time of every page with 100,000 laptops in the store: median and 99th percentile through real HTTP, printed.
//!
//! The pages of single laptops are those of laptops that keep a whole trace.
//!
//! usage: `page_times PATH-OF-WINDROW-HUB [LAPTOPS]`

use std::path::Path;
use std::time::Instant;

use anyhow::{Context as _, Result, ensure};
use windrow_hub::http::{Authority, ROUTES};
use windrow_hub::pages::fill;
use windrow_model::emulate::catalogue;
use windrow_tests::large_fleet::{LAPTOPS, RUNS, WHOLE_EVERY, device_id, fill_store, model_name};
use windrow_tests::serving::{Asked, Serving};

/// Requests of each page.
const REQUESTS: usize = 200;

fn main() -> Result<()> {
    let mut args = std::env::args().skip(1);
    let program = args.next().context("usage: page_times PATH-OF-WINDROW-HUB [LAPTOPS]")?;
    let n = args.next().map_or(Ok(LAPTOPS), |n| n.parse()).context("LAPTOPS must be a number")?;
    let folder = tempfile::tempdir()?;
    let database = folder.path().join("hub.sqlite");
    let began = Instant::now();
    let token = tokio::runtime::Runtime::new()?.block_on(fill_store(&database, n))?;
    println(&format!("{n} laptops with {RUNS} runs each stored in {:.0} s", began.elapsed().as_secs_f64()));
    let began = Instant::now();
    let hub = Serving::start(Path::new(&program), &database)?;
    let asked = Asked::of(&hub, &token)?;
    asked.until_judged()?;
    println(&format!("judged and shown after {:.0} s", began.elapsed().as_secs_f64()));
    println(&format!("{:>9} {:>9} {:>9}  page", "p50 ms", "p99 ms", "kB"));
    for page in pages(n) {
        time(&asked, &page)?;
    }
    Ok(())
}

#[expect(clippy::print_stdout, reason = "a bench prints")]
fn println(line: &str) {
    println!("{line}");
}

/// Every page that stands in the hub's list of routes by itself, and the others with something in their places.
fn pages(n: usize) -> Vec<String> {
    let plain = ROUTES.iter().filter(|(method, path, authority)| {
        *method == "GET" && matches!(authority, Authority::Page(_)) && !path.contains('{')
    });
    let mut pages: Vec<String> =
        // A tag is asked for below; a work sheet is there only once rounds are planned.
        plain
            .map(|(_, path, _)| (*path).to_owned())
            .filter(|p| p != "/places/tag" && p != "/rounds/sheet")
            .collect();
    let whole = |at: usize| device_id(at * WHOLE_EVERY % n / WHOLE_EVERY * WHOLE_EVERY);
    let model = fill::slug(&model_name(&catalogue()[0].model.product, 0));
    pages.extend([
        "/?order=airflow&band=no-visit".to_owned(),
        "/?find=site+07".to_owned(),
        "/?find=nothing-of-that-name".to_owned(),
        format!("/?order=checked&after={}", whole(n / WHOLE_EVERY / 2)),
        format!("/laptops/{}", whole(7)),
        format!("/models/{model}"),
        "/places?site=Site+077".to_owned(),
        "/places?find=no-such-tag".to_owned(),
        format!("/places?after-tag=T-{:06}", n / 2),
        format!("/places/tag?of=T-{:06}", n / 3),
    ]);
    pages
}

fn time(asked: &Asked, page: &str) -> Result<()> {
    let (status, body) = asked.get(page)?;
    ensure!(status == 200, "{page}: status {status}");
    let mut times_ms = Vec::with_capacity(REQUESTS);
    for _ in 0..REQUESTS {
        let began = Instant::now();
        asked.get(page)?;
        times_ms.push(began.elapsed().as_secs_f64() * 1e3);
    }
    times_ms.sort_by(f64::total_cmp);
    let at = |share: f64| times_ms[((REQUESTS - 1) as f64 * share).round() as usize];
    println(&format!("{:>9.1} {:>9.1} {:>9.0}  {page}", at(0.5), at(0.99), body.len() as f64 / 1e3));
    Ok(())
}
