//! The triangular factor of a tall matrix, built row by row.

/// Rows that are gathered before one pass of Householder reflections folds them in: enough to keep the inner
/// loops long, few enough to stay in the first-level cache.
const BLOCK: usize = 16;

/// `R` and `Qᵀr` of a QR factorisation of rows `(J, r)` that arrive one at a time, with what is left of `r`.
///
/// Memory is fixed, whatever the number of rows; the result is that of a Householder QR of the whole matrix.
#[derive(Debug, Clone)]
pub struct Triangle<const P: usize> {
    r: [[f64; P]; P],
    qtr: [f64; P],
    left_over: Sum,
    block: [[f64; BLOCK]; P],
    block_rhs: [f64; BLOCK],
    n_in_block: usize,
}

impl<const P: usize> Default for Triangle<P> {
    fn default() -> Self {
        Self {
            r: [[0.0; P]; P],
            qtr: [0.0; P],
            left_over: Sum::default(),
            block: [[0.0; BLOCK]; P],
            block_rhs: [0.0; BLOCK],
            n_in_block: 0,
        }
    }
}

impl<const P: usize> Triangle<P> {
    /// Adds one row of the Jacobian and its residual.
    #[inline]
    pub fn push(&mut self, row: &[f64; P], residual: f64) {
        let at = self.n_in_block;
        for (column, value) in self.block.iter_mut().zip(row) {
            column[at] = *value;
        }
        self.block_rhs[at] = residual;
        self.n_in_block = at + 1;
        if self.n_in_block == BLOCK {
            self.fold();
        }
    }

    /// Folds the rows that are still waiting; call it before reading.
    pub fn finish(&mut self) {
        if self.n_in_block == 0 {
            return;
        }
        for at in self.n_in_block..BLOCK {
            for column in &mut self.block {
                column[at] = 0.0;
            }
            self.block_rhs[at] = 0.0;
        }
        self.fold();
    }

    fn fold(&mut self) {
        for j in 0..P {
            self.reflect(j);
        }
        for value in &self.block_rhs {
            self.left_over.add(value * value);
        }
        self.n_in_block = 0;
    }

    /// One Householder reflection that empties column `j` of the block into `r[j][j]`.
    fn reflect(&mut self, j: usize) {
        let v = self.block[j];
        let below: f64 = dot(&v, &v);
        if below == 0.0 {
            return;
        }
        let head = self.r[j][j];
        let norm = (below + head * head).sqrt();
        let alpha = if head > 0.0 { -norm } else { norm };
        let v_head = head - alpha;
        let beta = -1.0 / (alpha * v_head);
        self.r[j][j] = alpha;
        for k in j + 1..P {
            let column = &mut self.block[k];
            let s = beta * (self.r[j][k] * v_head + dot(&v, column));
            self.r[j][k] -= s * v_head;
            subtract_scaled(column, s, &v);
        }
        let s = beta * (self.qtr[j] * v_head + dot(&v, &self.block_rhs));
        self.qtr[j] -= s * v_head;
        subtract_scaled(&mut self.block_rhs, s, &v);
    }

    /// Length of column `j` of the matrix.
    pub fn column_norm(&self, j: usize) -> f64 {
        self.r[..=j].iter().map(|row| row[j] * row[j]).sum::<f64>().sqrt()
    }

    /// Sum of squares that no choice of parameters can take away.
    pub fn left_over(&self) -> f64 {
        self.left_over.value()
    }

    /// Solves for the least-squares step of `r + J·dx`; `None` if a pivot vanishes.
    pub fn solve(&self) -> Option<[f64; P]> {
        let mut dx = [0.0; P];
        for j in (0..P).rev() {
            let known: f64 = (j + 1..P).map(|k| self.r[j][k] * dx[k]).sum();
            dx[j] = (-self.qtr[j] - known) / self.r[j][j];
            if !dx[j].is_finite() {
                return None;
            }
        }
        Some(dx)
    }

    /// By how much `dx` lowers the linearised sum of squares.
    pub fn fall(&self, dx: &[f64]) -> f64 {
        let mut fall = 0.0;
        for j in 0..P {
            let moved: f64 = (j..P).map(|k| self.r[j][k] * dx[k]).sum();
            // q² − (q + m)² without the cancellation.
            fall -= moved * (2.0 * self.qtr[j] + moved);
        }
        fall
    }

    /// `(JᵀJ)⁻¹`; `None` if a pivot vanishes.
    pub fn inverse_normal(&self) -> Option<[[f64; P]; P]> {
        let inv = self.inverse()?;
        let mut normal = [[0.0; P]; P];
        for i in 0..P {
            for j in 0..P {
                normal[i][j] = (i.max(j)..P).map(|k| inv[i][k] * inv[j][k]).sum();
            }
        }
        Some(normal)
    }

    #[expect(clippy::needless_range_loop, reason = "rows and columns of two triangles are addressed at once")]
    fn inverse(&self) -> Option<[[f64; P]; P]> {
        let mut inv = [[0.0; P]; P];
        for j in 0..P {
            let pivot = 1.0 / self.r[j][j];
            if !pivot.is_finite() {
                return None;
            }
            inv[j][j] = pivot;
            for i in (0..j).rev() {
                let known: f64 = (i + 1..=j).map(|k| self.r[i][k] * inv[k][j]).sum();
                inv[i][j] = -known / self.r[i][i];
            }
        }
        Some(inv)
    }
}

#[inline]
fn dot(a: &[f64; BLOCK], b: &[f64; BLOCK]) -> f64 {
    // Four partial sums: the compiler may not reorder a single one into vector registers.
    let mut sums = [0.0; 4];
    for (a, b) in a.chunks_exact(4).zip(b.chunks_exact(4)) {
        for lane in 0..4 {
            sums[lane] += a[lane] * b[lane];
        }
    }
    (sums[0] + sums[1]) + (sums[2] + sums[3])
}

#[inline]
fn subtract_scaled(from: &mut [f64; BLOCK], scale: f64, v: &[f64; BLOCK]) {
    for (f, v) in from.iter_mut().zip(v) {
        *f -= scale * v;
    }
}

/// A compensated (Neumaier) sum: the residual sum of squares of a near-exact fit needs its last digits.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Sum {
    sum: f64,
    lost: f64,
}

impl Sum {
    #[inline]
    pub(crate) fn add(&mut self, term: f64) {
        let total = self.sum + term;
        let (large, small) = if self.sum.abs() >= term.abs() { (self.sum, term) } else { (term, self.sum) };
        self.lost += (large - total) + small;
        self.sum = total;
    }

    pub(crate) fn value(self) -> f64 {
        self.sum + self.lost
    }
}
