//! Made-up jobs for the forecast: a card, a bus and a drive whose rate jitters, stalls, drifts and
//! steps, moved on in twentieths of a second, and what a watcher sees of it. It knows nothing of
//! any estimator. No real card was measured for it: the figures are those of the trade.

/// Chance from a seed (`SplitMix64`, Steele, Lea and Flood 2014).
#[derive(Clone, Debug)]
pub(crate) struct Chance(u64);

impl Chance {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5851_F42D_4C95_7F2D)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly from `low` to `high`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        let unit = unlade::units::float(self.next() >> 11) / 9_007_199_254_740_992.0;
        low + (high - low) * unit
    }

    /// Normal with mean 0 and deviation 1 (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.between(1e-12, 1.0).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.between(0.0, 1.0)).cos()
    }
}

/// How the rate runs, in MB/s.
#[derive(Clone, Debug)]
pub(crate) enum Pace {
    /// The same throughout.
    Steady(f64),
    /// Another from a second on.
    StepAtTime { before: f64, after: f64, at_s: f64 },
    /// Another from a megabyte on.
    StepAtMb { before: f64, after: f64, at_mb: f64 },
    /// Falling in a straight line over the megabytes of the job.
    Falling { first: f64, last: f64 },
    /// Around a middle, through points that are `every_s` apart.
    Wandering {
        middle: f64,
        every_s: f64,
        points: Vec<f64>,
    },
    /// Half of a bus until another card has read its megabytes at the same rate, then alone.
    Shared { bus: f64, alone: f64, other_mb: f64 },
}

impl Pace {
    fn at(&self, t: f64, mb: f64, total_mb: f64) -> f64 {
        match self {
            Self::Steady(rate) => *rate,
            Self::StepAtTime {
                before,
                after,
                at_s,
            } => {
                if t < *at_s {
                    *before
                } else {
                    *after
                }
            }
            Self::StepAtMb {
                before,
                after,
                at_mb,
            } => {
                if mb < *at_mb {
                    *before
                } else {
                    *after
                }
            }
            Self::Falling { first, last } => first + (last - first) * mb / total_mb.max(1e-9),
            Self::Wandering {
                middle,
                every_s,
                points,
            } => {
                let place = t / every_s;
                let index = unlade::units::len_usize(unlade::units::whole(place.floor()));
                let point = |i: usize| points[i % points.len()];
                let part = place - place.floor();
                middle * (1.0 + point(index) * (1.0 - part) + point(index + 1) * part)
            }
            Self::Shared {
                bus,
                alone,
                other_mb,
            } => {
                if mb < *other_mb {
                    bus / 2.0
                } else {
                    bus.min(*alone)
                }
            }
        }
    }
}

/// Pauses without any progress.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pauses {
    /// Seconds from the end of one to the next, from and to.
    pub(crate) every_s: (f64, f64),
    /// Their length in seconds, from and to.
    pub(crate) length_s: (f64, f64),
    /// How many at most.
    pub(crate) count: u32,
}

/// The uneven running of card and drive: a deviation of the logarithm that fades.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Jitter {
    pub(crate) log_sd: f64,
    pub(crate) memory_s: f64,
}

/// Plus and minus 15 % with a memory of 2 s.
pub(crate) const JITTER: Jitter = Jitter {
    log_sd: 0.15,
    memory_s: 2.0,
};

/// One stage of a job.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    /// Sizes of the files in MB, in the order of the work.
    pub(crate) files: Vec<f64>,
    /// Seconds that each file costs beyond its bytes.
    pub(crate) per_file_s: f64,
    pub(crate) pace: Pace,
    pub(crate) pauses: Option<Pauses>,
    pub(crate) jitter: Jitter,
}

impl Part {
    pub(crate) fn mb(&self) -> f64 {
        self.files.iter().sum()
    }
}

/// What a watcher sees at one moment; counts begin anew with each stage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Seen {
    pub(crate) t: f64,
    pub(crate) stage: usize,
    pub(crate) files: u64,
    pub(crate) bytes: u64,
    /// Bytes that another card on the same bus has still to read.
    pub(crate) companion_left: u64,
}

/// How often the watcher looks, in seconds, from and to.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Looks(pub(crate) f64, pub(crate) f64);

/// The whole job as it went.
#[derive(Clone, Debug)]
pub(crate) struct Story {
    pub(crate) seen: Vec<Seen>,
    pub(crate) took_s: f64,
}

const STEP_S: f64 = 0.05;

/// The stage in work.
struct Progress<'a> {
    part: &'a Part,
    index: usize,
    done_mb: f64,
    total_mb: f64,
    files: u64,
    overhead_left: f64,
    file_left: f64,
}

impl<'a> Progress<'a> {
    fn new(part: &'a Part) -> Self {
        Self {
            index: 0,
            done_mb: 0.0,
            total_mb: part.mb(),
            files: 0,
            overhead_left: part.per_file_s,
            file_left: part.files.first().copied().unwrap_or(0.0),
            part,
        }
    }

    /// Works for `budget` seconds at `rate`; returns what was not needed.
    fn work(&mut self, mut budget: f64, rate: f64) -> f64 {
        while self.index < self.part.files.len() {
            if self.overhead_left >= budget {
                self.overhead_left -= budget;
                return 0.0;
            }
            budget -= self.overhead_left;
            self.overhead_left = 0.0;
            let possible = rate * budget;
            if possible < self.file_left {
                self.file_left -= possible;
                self.done_mb += possible;
                return 0.0;
            }
            budget -= self.file_left / rate;
            self.done_mb += self.file_left;
            self.files += 1;
            self.index += 1;
            self.overhead_left = self.part.per_file_s;
            self.file_left = self.part.files.get(self.index).copied().unwrap_or(0.0);
        }
        budget
    }
}

/// Runs a job from its start to its end.
pub(crate) fn run(parts: &[Part], looks: Looks, chance: &mut Chance) -> Story {
    let mut t = 0.0;
    let mut seen = Vec::new();
    let mut next_look = 0.0;
    for (stage, part) in parts.iter().enumerate() {
        let mut progress = Progress::new(part);
        let began = t;
        let mut deviation = chance.normal();
        let fade = (-STEP_S / part.jitter.memory_s).exp();
        let mut pauses_left = part.pauses.map_or(0, |p| p.count);
        let mut pause = part.pauses.map_or((f64::INFINITY, 0.0), |p| {
            (t + chance.between(p.every_s.0, p.every_s.1), 0.0)
        });
        while progress.index < part.files.len() {
            deviation = fade * deviation + (1.0 - fade * fade).sqrt() * chance.normal();
            let sd = part.jitter.log_sd;
            let jitter = (sd * deviation - sd * sd / 2.0).exp();
            let rate = part.pace.at(t - began, progress.done_mb, progress.total_mb) * jitter;
            if let Some(p) = part.pauses
                && t >= pause.0
                && pauses_left > 0
            {
                pause.1 = chance.between(p.length_s.0, p.length_s.1);
                pause.0 = t + pause.1 + chance.between(p.every_s.0, p.every_s.1);
                pauses_left -= 1;
            }
            if pause.1 > 0.0 {
                pause.1 -= STEP_S;
                t += STEP_S;
            } else {
                t += STEP_S - progress.work(STEP_S, rate);
            }
            if t >= next_look && progress.index < part.files.len() {
                seen.push(look(t, stage, &progress));
                next_look = t + chance.between(looks.0, looks.1);
            }
        }
    }
    Story { seen, took_s: t }
}

fn look(t: f64, stage: usize, progress: &Progress<'_>) -> Seen {
    let companion_left = match progress.part.pace {
        Pace::Shared { other_mb, .. } => {
            unlade::units::whole((other_mb - progress.done_mb).max(0.0) * 1e6)
        }
        _ => 0,
    };
    Seen {
        t,
        stage,
        files: progress.files,
        bytes: unlade::units::whole(progress.done_mb * 1e6),
        companion_left,
    }
}
