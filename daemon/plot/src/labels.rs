//! Where texts go so that they cover neither each other nor the curves.

/// An upright rectangle in pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rect {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) width: f64,
    pub(super) height: f64,
}

impl Rect {
    pub(super) const fn new(left: f64, top: f64, width: f64, height: f64) -> Self {
        Self {
            left,
            top,
            width,
            height,
        }
    }

    pub(super) fn right(self) -> f64 {
        self.left + self.width
    }

    pub(super) fn bottom(self) -> f64 {
        self.top + self.height
    }

    fn overlaps(self, other: Self) -> bool {
        self.left < other.right()
            && other.left < self.right()
            && self.top < other.bottom()
            && other.top < self.bottom()
    }

    fn holds(self, (x, y): (f64, f64)) -> bool {
        x >= self.left && x <= self.right() && y >= self.top && y <= self.bottom()
    }

    fn grown(self, by: f64) -> Self {
        Self {
            left: self.left - by,
            top: self.top - by,
            width: self.width + 2.0 * by,
            height: self.height + 2.0 * by,
        }
    }

    fn encloses(self, other: Self) -> bool {
        other.left >= self.left
            && other.right() <= self.right()
            && other.top >= self.top
            && other.bottom() <= self.bottom()
    }
}

/// Points a few pixels apart along a line, and how much one of them under a text weighs.
#[derive(Debug)]
pub(super) struct Trace {
    pub(super) points: Vec<(f64, f64)>,
    pub(super) weight: usize,
}

/// A panel's area with what already stands in it.
#[derive(Debug)]
pub(super) struct Board {
    area: Rect,
    taken: Vec<Rect>,
    curves: Vec<Trace>,
    /// Distance to keep from curves.
    margin: f64,
}

impl Board {
    /// An area crossed by curves, from which texts keep `margin` where they can.
    pub(super) fn new(area: Rect, curves: Vec<Trace>, margin: f64) -> Self {
        Self {
            area,
            taken: Vec::new(),
            curves,
            margin,
        }
    }

    /// Keeps texts away from `rect`.
    pub(super) fn take(&mut self, rect: Rect) {
        self.taken.push(rect);
    }

    /// Takes the best of `candidates` (the earlier, the better liked): inside the area and clear
    /// of other texts above all, then clear of curves. `None` only without candidates.
    pub(super) fn place(&mut self, candidates: &[Rect]) -> Option<Rect> {
        let cost = |rect: Rect| {
            let texts = self.taken.iter().filter(|other| rect.overlaps(**other));
            let near = rect.grown(self.margin);
            let crossings = self.curves.iter().map(|trace| {
                let points = trace.points.iter().filter(|point| near.holds(**point));
                trace.weight * points.count()
            });
            let outside = usize::from(!self.area.encloses(rect));
            1000 * (texts.count() + outside) + crossings.sum::<usize>()
        };
        // The order of the candidates weighs like a few points of curve, so that a label stays
        // near rather than fleeing the last pixel of overlap.
        let best = candidates
            .iter()
            .enumerate()
            .min_by_key(|(order, rect)| cost(**rect) + order)
            .map(|(_, rect)| *rect)?;
        self.take(best);
        Some(best)
    }
}

/// Tops for labels of the given `(wished top, height)` so that they stay in their order, inside
/// `low..high`, without overlap and as near to the wish as possible (least squares). When they are
/// too many for the room they overlap evenly.
pub(super) fn spread(wishes: &[(f64, f64)], low: f64, high: f64) -> Vec<f64> {
    let total: f64 = wishes.iter().map(|(_, height)| height).sum();
    let squeeze = if total > 0.0 {
        ((high - low) / total).clamp(0.0, 1.0)
    } else {
        1.0
    };
    let mut order: Vec<usize> = (0..wishes.len()).collect();
    order.sort_by(|a, b| wishes[*a].0.total_cmp(&wishes[*b].0));

    // Labels that touch form a block, which sits at the mean of its members' wishes.
    struct Block {
        members: Vec<usize>,
        height: f64,
        wish_sum: f64,
    }
    let top = |block: &Block| {
        let count = u32::try_from(block.members.len()).map_or(f64::INFINITY, f64::from);
        (block.wish_sum / count).min(high - block.height).max(low)
    };
    let mut blocks: Vec<Block> = Vec::new();
    for index in order {
        let (wish, height) = wishes[index];
        let mut block = Block {
            members: vec![index],
            height: height * squeeze,
            wish_sum: wish,
        };
        while let Some(above) = blocks.pop() {
            if top(&above) + above.height <= top(&block) {
                blocks.push(above);
                break;
            }
            let count = u32::try_from(block.members.len()).map_or(f64::INFINITY, f64::from);
            block = Block {
                wish_sum: above.wish_sum + block.wish_sum - count * above.height,
                height: above.height + block.height,
                members: above.members.into_iter().chain(block.members).collect(),
            };
        }
        blocks.push(block);
    }

    let mut tops = vec![low; wishes.len()];
    for block in &blocks {
        let mut at = top(block);
        for index in &block.members {
            tops[*index] = at;
            at += wishes[*index].1 * squeeze;
        }
    }
    tops
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_spread_no_further_than_needed() {
        assert_eq!(
            spread(&[(10.0, 5.0), (50.0, 5.0)], 0.0, 100.0),
            [10.0, 50.0]
        );
        // Two wishes at one place move apart evenly and keep their order.
        assert_eq!(
            spread(&[(51.0, 10.0), (50.0, 10.0)], 0.0, 100.0),
            [55.5, 45.5]
        );
        // The edge holds, the others give way.
        assert_eq!(
            spread(&[(98.0, 10.0), (97.0, 10.0), (96.0, 10.0)], 0.0, 100.0),
            [90.0, 80.0, 70.0]
        );
        // Too many: squeezed evenly into the room.
        assert_eq!(spread(&[(0.0, 10.0), (1.0, 10.0)], 0.0, 10.0), [0.0, 5.0]);
        assert!(spread(&[], 0.0, 10.0).is_empty());
    }

    #[test]
    fn a_text_avoids_texts_first_and_curves_second() {
        let area = Rect::new(0.0, 0.0, 100.0, 100.0);
        let at = |left, top| Rect::new(left, top, 20.0, 10.0);
        let points = (0..20).map(|i| (f64::from(i), 5.0)).collect();
        let mut board = Board::new(area, vec![Trace { points, weight: 3 }], 1.0);
        board.take(at(30.0, 0.0));
        let candidates = [at(90.0, 0.0), at(35.0, 0.0), at(0.0, 0.0), at(60.0, 60.0)];
        assert_eq!(board.place(&candidates), Some(at(60.0, 60.0)));
        assert_eq!(board.place(&candidates), Some(at(0.0, 0.0)));
        assert_eq!(board.place(&[]), None);
    }
}
