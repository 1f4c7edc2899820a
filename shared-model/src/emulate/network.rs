//! A thermal network: nodes with heat capacity, joined to each other and to the air.

/// Most nodes a network may have.
pub const NODES_MAX: usize = 8;

/// A lump of one temperature.
#[derive(Debug, Clone, Copy)]
pub struct Node {
    /// Heat capacity, J/K.
    pub capacity_j_per_k: f64,
    /// Conductance to the air, W/K.
    pub to_air_w_per_k: f64,
    /// Heat put in, W.
    pub heat_w: f64,
    /// Temperature, °C.
    pub temp_c: f64,
}

/// A conductance between two nodes.
#[derive(Debug, Clone, Copy)]
pub struct Link {
    /// Index of one node.
    pub a: usize,
    /// Index of the other.
    pub b: usize,
    /// Conductance, W/K.
    pub w_per_k: f64,
}

/// Nodes and links: C dT/dt = heat − G_air (T − T_air) − Σ G (T − T_other).
#[derive(Debug, Clone)]
pub struct Network {
    /// The nodes.
    pub nodes: Vec<Node>,
    /// The links.
    pub links: Vec<Link>,
}

impl Network {
    /// One step of the classical fourth-order Runge–Kutta rule; stable while `dt_s` is under 2.7 times the
    /// fastest time constant.
    pub fn step(&mut self, dt_s: f64, air_c: f64) {
        let start = self.temperatures();
        let k1 = self.slopes(&start, air_c);
        let k2 = self.slopes(&ahead(&start, &k1, dt_s / 2.0), air_c);
        let k3 = self.slopes(&ahead(&start, &k2, dt_s / 2.0), air_c);
        let k4 = self.slopes(&ahead(&start, &k3, dt_s), air_c);
        for (idx, node) in self.nodes.iter_mut().enumerate() {
            node.temp_c += dt_s / 6.0 * (k1[idx] + 2.0 * (k2[idx] + k3[idx]) + k4[idx]);
        }
    }

    /// Puts all nodes at the temperatures they would reach with heat and conductances as they are now
    /// (Gauss–Seidel; the bound is far beyond what a few nodes need).
    pub fn settle(&mut self, air_c: f64) {
        const SWEEPS_MAX: usize = 5_000;
        for _ in 0..SWEEPS_MAX {
            let mut moved_k: f64 = 0.0;
            for idx in 0..self.nodes.len() {
                let next_c = self.balanced_c(idx, air_c);
                moved_k = moved_k.max((next_c - self.nodes[idx].temp_c).abs());
                self.nodes[idx].temp_c = next_c;
            }
            if moved_k < 1e-7 {
                return;
            }
        }
    }

    /// Heat given to the air by all nodes, W.
    pub fn heat_to_air_w(&self, air_c: f64) -> f64 {
        self.nodes.iter().map(|n| n.to_air_w_per_k * (n.temp_c - air_c)).sum()
    }

    fn balanced_c(&self, idx: usize, air_c: f64) -> f64 {
        let node = &self.nodes[idx];
        let mut inflow = node.to_air_w_per_k.mul_add(air_c, node.heat_w);
        let mut conductance = node.to_air_w_per_k;
        for link in self.links.iter().filter(|l| l.a == idx || l.b == idx) {
            let other = if link.a == idx { link.b } else { link.a };
            inflow += link.w_per_k * self.nodes[other].temp_c;
            conductance += link.w_per_k;
        }
        if conductance > 0.0 { inflow / conductance } else { node.temp_c }
    }

    fn temperatures(&self) -> [f64; NODES_MAX] {
        let mut temps = [0.0; NODES_MAX];
        for (slot, node) in temps.iter_mut().zip(&self.nodes) {
            *slot = node.temp_c;
        }
        temps
    }

    fn slopes(&self, temps: &[f64; NODES_MAX], air_c: f64) -> [f64; NODES_MAX] {
        let mut slopes = [0.0; NODES_MAX];
        for (idx, node) in self.nodes.iter().enumerate() {
            slopes[idx] = node.heat_w - node.to_air_w_per_k * (temps[idx] - air_c);
        }
        for link in &self.links {
            let flow_w = link.w_per_k * (temps[link.a] - temps[link.b]);
            slopes[link.a] -= flow_w;
            slopes[link.b] += flow_w;
        }
        for (idx, node) in self.nodes.iter().enumerate() {
            slopes[idx] /= node.capacity_j_per_k;
        }
        slopes
    }
}

fn ahead(start: &[f64; NODES_MAX], slopes: &[f64; NODES_MAX], dt_s: f64) -> [f64; NODES_MAX] {
    std::array::from_fn(|idx| start[idx] + dt_s * slopes[idx])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn node(capacity: f64, to_air: f64, heat: f64, temp: f64) -> Node {
        Node { capacity_j_per_k: capacity, to_air_w_per_k: to_air, heat_w: heat, temp_c: temp }
    }

    /// Newton's law of cooling, 70 °C in a 20 °C room with k = 0.125 per minute: 46.763 °C after 5 minutes
    /// (OpenStax Calculus, module m53704, exercise).
    #[test]
    fn one_node_cools_as_newton_says() {
        let k_per_s = 0.125 / 60.0;
        let mut net = Network { nodes: vec![node(1.0, k_per_s, 0.0, 70.0)], links: vec![] };
        for _ in 0..6_000 {
            net.step(0.05, 20.0);
        }
        assert!((net.nodes[0].temp_c - 46.76307142594951).abs() < 1e-9, "{}", net.nodes[0].temp_c);
    }

    /// At rest what goes in goes out, and R_total = ΣR in series.
    #[test]
    fn energy_balances_at_rest() {
        let mut net = Network {
            nodes: vec![node(2.0, 0.0, 20.0, 20.0), node(80.0, 0.5, 0.0, 20.0)],
            links: vec![Link { a: 0, b: 1, w_per_k: 1.0 / 0.9 }],
        };
        net.settle(24.0);
        assert!((net.heat_to_air_w(24.0) - 20.0).abs() < 1e-5);
        assert!((net.nodes[0].temp_c - (24.0 + 20.0 * (0.9 + 1.0 / 0.5))).abs() < 1e-4);
    }

    /// Stepping ends where settling ends.
    #[test]
    fn stepping_reaches_the_settled_state() {
        let build = || Network {
            nodes: vec![node(2.0, 0.0, 15.0, 20.0), node(60.0, 0.4, 0.0, 20.0), node(300.0, 0.3, 1.0, 20.0)],
            links: vec![Link { a: 0, b: 1, w_per_k: 1.2 }, Link { a: 1, b: 2, w_per_k: 0.1 }],
        };
        let (mut stepped, mut settled) = (build(), build());
        for _ in 0..400_000 {
            stepped.step(0.05, 22.0);
        }
        settled.settle(22.0);
        for (a, b) in stepped.nodes.iter().zip(&settled.nodes) {
            assert!((a.temp_c - b.temp_c).abs() < 1e-4, "{} {}", a.temp_c, b.temp_c);
        }
    }
}
