//! A check is compared with the laptop's own earlier ones.

use crate::runner::Runner;

fn words(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn less_air_than_in_its_own_earlier_checks_is_told() {
    let runner = Runner::new();
    for seed in ["1", "2", "3"] {
        let args = ["check", "--emulate", "ambient=23", "--ambient", "23±0.5", "--seed", seed, "--keep"];
        runner.expect(&args, 0);
    }
    let args = ["check", "--emulate", "airflow=0.5,ambient=23", "--ambient", "23±0.5", "--keep"];
    let said = runner.expect(&args, 0);
    let text = words(&said.stdout);
    assert!(text.contains("Less air goes through than in its own 3 earlier checks."), "{}", said.whole());
    assert!(text.contains("Before anybody opens it"), "{}", said.whole());
    // The same when it is shown again; and the first had nothing to be compared with.
    assert!(words(&runner.expect(&["past", "4"], 0).stdout).contains("Less air goes through"));
    assert!(!runner.expect(&["past", "1"], 0).stdout.contains("earlier check"));
    // Another model of laptop is another unit.
    let other = ["check", "--emulate", "--model-like", "Quill 12", "--keep"];
    assert!(!runner.expect(&other, 0).stdout.contains("earlier check"));
}
