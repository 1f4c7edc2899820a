//! The 0/1 knapsack by dynamic programming (R. Bellman, 1957; cited from memory): exact.

/// Indices of the best choice whose steps sum to less than `width`, of at most `visits` where that is given.
pub(super) fn knapsack(weighed: &[(usize, f64)], width: usize, visits: Option<usize>) -> Vec<usize> {
    let n_layers = visits.map_or(1, |n| n + 1);
    let n_cells = n_layers * width;
    let mut best = vec![0.0_f64; n_cells];
    let mut taken = vec![false; n_cells * weighed.len()];
    for (idx, (steps, worth)) in weighed.iter().enumerate() {
        if *worth <= 0.0 || *steps >= width {
            continue;
        }
        // From the top, so that nobody is taken twice.
        for layer in (usize::from(visits.is_some())..n_layers).rev() {
            let from_layer = layer - usize::from(visits.is_some());
            for at in (*steps..width).rev() {
                let with = best[from_layer * width + at - steps] + worth;
                if with > best[layer * width + at] {
                    best[layer * width + at] = with;
                    taken[idx * n_cells + layer * width + at] = true;
                }
            }
        }
    }
    let (mut layer, mut at) = (n_layers - 1, width - 1);
    let mut picked = Vec::new();
    for (idx, (steps, _)) in weighed.iter().enumerate().rev() {
        if taken[idx * n_cells + layer * width + at] {
            picked.push(idx);
            at -= steps;
            layer -= usize::from(visits.is_some());
        }
    }
    picked.reverse();
    picked
}
