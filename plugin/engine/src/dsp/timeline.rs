//! One value for each hop, addressed by position.

/// The last values of something that holds for a whole hop.
#[derive(Clone)]
pub struct Timeline<T> {
    values: Vec<T>,
    hop: i64,
    begin: i64,
    end: i64,
}

impl<T: Copy + Default> Timeline<T> {
    /// Remembers the values of `num_hops` hops of `hop` samples.
    pub fn new(num_hops: usize, hop: usize) -> Self {
        Self { values: vec![T::default(); num_hops], hop: hop as i64, begin: 0, end: 0 }
    }

    /// Forgets everything; the next value belongs to the hop that begins at `position`, a multiple of the hop.
    pub fn restart(&mut self, position: i64) {
        (self.begin, self.end) = (position, position);
    }

    /// Position at which the oldest hop remembered begins.
    pub fn begin(&self) -> i64 {
        self.begin.max(self.end - self.values.len() as i64 * self.hop)
    }

    /// Position at which the newest hop ends.
    pub fn end(&self) -> i64 {
        self.end
    }

    /// Adds the value of the next hop.
    pub fn push(&mut self, value: T) {
        let at = self.index(self.end);
        self.values[at] = value;
        self.end += self.hop;
    }

    /// Value of the hop that holds a position; of the nearest hop remembered otherwise.
    pub fn at(&self, position: i64) -> T {
        self.values[self.index(position.clamp(self.begin(), (self.end - 1).max(self.begin())))]
    }

    /// The values from the hop on that holds a position, oldest first.
    pub fn from(&self, position: i64) -> impl Iterator<Item = T> {
        (position.div_euclid(self.hop)..self.end.div_euclid(self.hop)).map(|hop| self.at(hop * self.hop))
    }

    /// Changes every value.
    pub fn change(&mut self, change: impl FnMut(&mut T)) {
        self.values.iter_mut().for_each(change);
    }

    fn index(&self, position: i64) -> usize {
        position.div_euclid(self.hop).rem_euclid(self.values.len() as i64) as usize
    }
}

#[cfg(test)]
mod tests {
    use super::Timeline;

    #[test]
    fn every_position_has_the_value_of_its_hop_or_the_nearest() {
        let mut timeline = Timeline::new(3, 10);
        timeline.restart(-20);
        (1..=5).for_each(|value| timeline.push(value));
        assert_eq!((timeline.begin(), timeline.end()), (0, 30));
        assert_eq!([-9, 0, 9, 10, 29, 30, 99].map(|at| timeline.at(at)), [3, 3, 3, 4, 5, 5, 5]);
        assert_eq!(timeline.from(10).collect::<Vec<_>>(), [4, 5]);
        timeline.change(|value| *value *= 2);
        assert_eq!(timeline.at(0), 6);
    }
}
