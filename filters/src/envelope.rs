//! Symmetric matrices whose rows start late: a band with a few full rows below it. Factoring keeps
//! the shape, so the cost is linear in the length of the band.
//!
//! Source: A. George, J. Liu, "Computer Solution of Large Sparse Positive Definite Systems", 1981
//! (envelope method); K. Takahashi et al., 1973 (elements of the inverse inside the envelope); both
//! from memory, checked in the tests against dense matrices.

/// The lower half of a symmetric matrix, each row from its first element that may differ from zero.
#[derive(Debug, Clone)]
pub(crate) struct Envelope {
    /// First column of each row. Rows of the band never start before the row above; those of the
    /// border start at column 0.
    first: Vec<usize>,
    /// Where each row starts in `values`, and the end of all.
    start: Vec<usize>,
    values: Vec<f64>,
    /// Rows of the band.
    band: usize,
}

/// A Cholesky factor.
#[derive(Debug, Clone)]
pub(crate) struct Factor(Envelope);

/// Eight sums at once: the compiler may not reorder one.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 8];
    let (a8, b8) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = a8
        .remainder()
        .iter()
        .zip(b8.remainder())
        .map(|(x, y)| x * y)
        .sum();
    for (x, y) in a8.zip(b8) {
        for (sum, (x, y)) in sums.iter_mut().zip(x.iter().zip(y)) {
            *sum += x * y;
        }
    }
    sums.iter().sum::<f64>() + rest
}

impl Envelope {
    /// A matrix of zeros; the rows of the band start at `first`, and `border` full rows follow.
    pub(crate) fn new(mut first: Vec<usize>, border: usize) -> Self {
        let band = first.len();
        // A row must not start before one above it, or the inverse needs elements outside.
        for i in (1..band).rev() {
            first[i - 1] = first[i - 1].min(first[i]);
        }
        first.extend(std::iter::repeat_n(0, border));
        let mut start = vec![0];
        for (i, from) in first.iter().enumerate() {
            start.push(start[i] + i + 1 - from);
        }
        Self {
            values: vec![0.0; start[first.len()]],
            first,
            start,
            band,
        }
    }

    /// The same shape, all zeros.
    pub(crate) fn zeros_alike(&self) -> Self {
        Self {
            values: vec![0.0; self.values.len()],
            ..self.clone()
        }
    }

    /// The band without its border.
    pub(crate) fn without_border(&self) -> Self {
        let mut band = self.clone();
        band.first.truncate(self.band);
        band.start.truncate(self.band + 1);
        band.values.truncate(self.start[self.band]);
        band
    }

    pub(crate) fn len(&self) -> usize {
        self.first.len()
    }

    fn row(&self, i: usize) -> &[f64] {
        &self.values[self.start[i]..self.start[i + 1]]
    }

    /// Element at any row and column; zero outside the envelope.
    pub(crate) fn at(&self, i: usize, j: usize) -> f64 {
        let (i, j) = (i.max(j), i.min(j));
        j.checked_sub(self.first[i])
            .map_or(0.0, |offset| self.values[self.start[i] + offset])
    }

    /// The element in row `i` and column `j`, which must lie inside the envelope.
    pub(crate) fn at_mut(&mut self, i: usize, j: usize) -> &mut f64 {
        let (i, j) = (i.max(j), i.min(j));
        &mut self.values[self.start[i] + j - self.first[i]]
    }

    /// Adds `weight` times the outer product of a sparse row with itself.
    pub(crate) fn add_square(&mut self, row: &[(usize, f64)], weight: f64) {
        for (n, (i, vi)) in row.iter().enumerate() {
            for (j, vj) in &row[..=n] {
                *self.at_mut(*i, *j) += weight * vi * vj;
            }
        }
    }

    /// Makes the row and column of `i` those of the unit matrix.
    pub(crate) fn isolate(&mut self, i: usize) {
        for j in self.first[i]..i {
            *self.at_mut(i, j) = 0.0;
        }
        for k in i + 1..self.len() {
            if self.first[k] <= i {
                *self.at_mut(k, i) = 0.0;
            }
        }
        *self.at_mut(i, i) = 1.0;
    }

    pub(crate) fn scale(&mut self, weight: f64) {
        self.values.iter_mut().for_each(|value| *value *= weight);
    }

    /// Adds `weight` times another matrix of the same band, and border where this one has any.
    pub(crate) fn add(&mut self, weight: f64, other: &Self) {
        for (value, more) in self.values.iter_mut().zip(&other.values) {
            *value += weight * more;
        }
    }

    /// Adds `weight` times the outer product of a full vector with itself, inside the envelope.
    pub(crate) fn add_outer(&mut self, x: &[f64], weight: f64) {
        for i in 0..self.len() {
            let from = self.first[i];
            let row = &mut self.values[self.start[i]..self.start[i + 1]];
            for (value, v) in row.iter_mut().zip(&x[from..]) {
                *value += weight * x[i] * v;
            }
        }
    }

    pub(crate) fn times(&self, x: &[f64]) -> Vec<f64> {
        let mut y = vec![0.0; x.len()];
        for i in 0..self.len() {
            let (row, from) = (self.row(i), self.first[i]);
            y[i] += dot(row, &x[from..=i]);
            for (value, v) in y[from..i].iter_mut().zip(row) {
                *value += v * x[i];
            }
        }
        y
    }

    /// Value of `x' A x` for a sparse `x`.
    pub(crate) fn quadratic(&self, x: &[(usize, f64)]) -> f64 {
        let pairs = x.iter().flat_map(|a| x.iter().map(move |b| (a, b)));
        pairs.map(|(a, b)| a.1 * b.1 * self.at(a.0, b.0)).sum()
    }

    /// Trace of the product with another matrix of the same shape.
    pub(crate) fn trace_product(&self, other: &Self) -> f64 {
        let all = dot(&self.values, &other.values);
        let diagonal = (0..self.len()).map(|i| self.at(i, i) * other.at(i, i));
        2.0 * all - diagonal.sum::<f64>()
    }

    /// As [`factor`](Self::factor) of a matrix some of whose pivots may drown in rounding: with the least share of the
    /// diagonal more that lifts them out of it.
    pub(crate) fn factor_steadied(self) -> Option<Factor> {
        [0.0, 1e-15, 1e-14, 1e-13, 1e-12]
            .into_iter()
            .find_map(|share| {
                let mut steadied = self.clone();
                for i in 0..steadied.len() {
                    *steadied.at_mut(i, i) *= 1.0 + share;
                }
                steadied.factor()
            })
    }

    /// Cholesky factor; `None` when the matrix is not positive definite.
    pub(crate) fn factor(mut self) -> Option<Factor> {
        for i in 0..self.len() {
            let (above, rest) = self.values.split_at_mut(self.start[i]);
            let row = &mut rest[..=i - self.first[i]];
            let from_i = self.first[i];
            for j in from_i..i {
                let from = from_i.max(self.first[j]);
                let other = &above[self.start[j]..self.start[j + 1]];
                let shared = dot(
                    &row[from - from_i..j - from_i],
                    &other[from - self.first[j]..j - self.first[j]],
                );
                row[j - from_i] = (row[j - from_i] - shared) / other[j - self.first[j]];
            }
            let (left, pivot) = row.split_at_mut(i - from_i);
            let square = pivot[0] - dot(left, left);
            if square.is_nan() || square <= 0.0 {
                return None;
            }
            pivot[0] = square.sqrt();
        }
        Some(Factor(self))
    }
}

impl Factor {
    pub(crate) fn log_det(&self) -> f64 {
        let l = &self.0;
        2.0 * (0..l.len()).map(|i| l.at(i, i).ln()).sum::<f64>()
    }

    pub(crate) fn solve(&self, b: &[f64]) -> Vec<f64> {
        let l = &self.0;
        let mut x = b.to_vec();
        for i in 0..l.len() {
            let (row, from) = (l.row(i), l.first[i]);
            x[i] = (x[i] - dot(&row[..i - from], &x[from..i])) / row[i - from];
        }
        for i in (0..l.len()).rev() {
            let (row, from) = (l.row(i), l.first[i]);
            x[i] /= row[i - from];
            let xi = x[i];
            for (value, v) in x[from..i].iter_mut().zip(row) {
                *value -= v * xi;
            }
        }
        x
    }

    /// The elements of the inverse that lie inside the envelope.
    pub(crate) fn inverse(&self) -> Envelope {
        let l = &self.0;
        let n = l.len();
        let mut z = l.zeros_alike();
        let mut last = n;
        let (mut column, mut sums) = (vec![0.0; n], vec![0.0; n]);
        for i in (0..n).rev() {
            // Rows below that reach column i: of the band up to `last`, then all of the border.
            last = last.min(l.band);
            while last > i + 1 && l.first[last - 1] > i {
                last -= 1;
            }
            let band = i + 1..last.max(i + 1);
            let border = band.end.max(l.band)..n;
            for k in band.clone().chain(border.clone()) {
                column[k] = l.values[l.start[k] + i - l.first[k]];
                sums[k] = 0.0;
            }
            for k in band.clone().chain(border.clone()) {
                let (row, from, mine) = (z.row(k), z.first[k], column[k]);
                let mut mixed = 0.0;
                let mut run = |range: std::ops::Range<usize>| {
                    if range.is_empty() {
                        return;
                    }
                    let part = &row[range.start - from..range.end - from];
                    mixed += dot(part, &column[range.clone()]);
                    for (sum, v) in sums[range].iter_mut().zip(part) {
                        *sum += mine * v;
                    }
                };
                run(band.start..band.end.min(k));
                run(border.start..border.end.min(k));
                sums[k] += mixed + mine * row[k - from];
            }
            let pivot = l.at(i, i);
            let mut below = 0.0;
            for k in band.chain(border) {
                *z.at_mut(k, i) = -sums[k] / pivot;
                below += column[k] * -sums[k] / pivot;
            }
            *z.at_mut(i, i) = (1.0 / pivot - below) / pivot;
        }
        z
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};

    /// A band of five with two full rows below it, and the same as a dense matrix.
    fn example() -> (Envelope, DMatrix<f64>) {
        let first = (0..30_usize).map(|i| i.saturating_sub(i % 3 + 2)).collect();
        let mut matrix = Envelope::new(first, 2);
        let n = matrix.len();
        let mut seed = 1_u32;
        for i in 0..n {
            for j in matrix.first[i]..=i {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let random = f64::from(seed >> 8) / f64::from(1_u32 << 24) - 0.5;
                *matrix.at_mut(i, j) = if i == j { 12.0 + random } else { random };
            }
        }
        let dense = DMatrix::from_fn(n, n, |i, j| matrix.at(i, j));
        (matrix, dense)
    }

    #[test]
    fn solves_and_inverts_as_a_dense_matrix_does() {
        let (matrix, dense) = example();
        let n = matrix.len();
        let b: Vec<f64> = (0..n).map(|i| (i as f64).sin()).collect();
        let factor = matrix.clone().factor().unwrap();
        let cholesky = dense.clone().cholesky().unwrap();
        let expected = cholesky.solve(&DVector::from_column_slice(&b));
        for (x, e) in factor.solve(&b).iter().zip(expected.iter()) {
            assert!((x - e).abs() < 1e-13);
        }
        assert!((factor.log_det() - cholesky.determinant().ln()).abs() < 1e-10);
        let (inverse, expected) = (factor.inverse(), cholesky.inverse());
        for i in 0..n {
            for j in matrix.first[i]..=i {
                let off = inverse.at(i, j) - expected[(i, j)];
                assert!(off.abs() < 1e-13, "{i} {j} {off}");
            }
        }
        let product = &dense * DVector::from_column_slice(&b);
        for (x, e) in matrix.times(&b).iter().zip(product.iter()) {
            assert!((x - e).abs() < 1e-12);
        }
    }

    #[test]
    fn a_matrix_that_is_not_positive_definite_has_no_factor() {
        let (mut matrix, _) = example();
        *matrix.at_mut(7, 7) = -1.0;
        assert!(matrix.factor().is_none());
    }
}
