//! The delay in force over time, one value per hop.

/// The last values of the delay, addressed by hop: the hop of the mix that begins at position `hop * length`.
pub struct Course {
    delays: Vec<f64>,
    begin: i64,
    end: i64,
}

impl Course {
    /// A course that remembers `len` hops.
    pub fn new(len: usize) -> Self {
        Self { delays: vec![0.0; len], begin: 0, end: 0 }
    }

    /// Forgets everything; the next value belongs to hop `at`.
    pub fn restart(&mut self, at: i64) {
        (self.begin, self.end) = (at, at);
    }

    /// First hop remembered.
    pub fn begin(&self) -> i64 {
        self.begin.max(self.end - self.delays.len() as i64)
    }

    /// Hop after the last one known.
    pub fn end(&self) -> i64 {
        self.end
    }

    /// Adds the delay, in samples, reached at the end of the next hop.
    pub fn push(&mut self, delay_samples: f64) {
        let at = self.end.rem_euclid(self.delays.len() as i64) as usize;
        self.delays[at] = delay_samples;
        self.end += 1;
    }

    /// Adds to all delays.
    pub fn shift(&mut self, samples: f64) {
        self.delays.iter_mut().for_each(|delay| *delay += samples);
    }

    /// Delay of a hop remembered; of the nearest one otherwise.
    pub fn get(&self, hop: i64) -> f64 {
        let hop = hop.clamp(self.begin(), (self.end - 1).max(self.begin()));
        self.delays[hop.rem_euclid(self.delays.len() as i64) as usize]
    }
}
