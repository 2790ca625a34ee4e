//! What tests share.

#![cfg_attr(
    not(target_os = "linux"),
    allow(dead_code, reason = "tests that are Linux's own use the rest")
)]

pub(crate) mod bag;
#[cfg(all(target_os = "linux", feature = "offsite"))]
pub(crate) mod dav;
#[cfg(all(target_os = "linux", feature = "desk"))]
pub(crate) mod desk;
#[cfg(all(target_os = "linux", feature = "offsite"))]
pub(crate) mod http;
#[cfg(target_os = "linux")]
pub(crate) mod image;
pub(crate) mod job;
#[cfg(target_os = "linux")]
pub(crate) mod mount;
pub(crate) mod program;
#[cfg(all(target_os = "linux", feature = "offsite"))]
pub(crate) mod s3;
pub(crate) mod sim;
#[cfg(all(target_os = "linux", feature = "offsite"))]
pub(crate) mod sshd;

/// Whether the sweeps run whole (`UNLADE_SWEEPS=whole` in the environment, as CI does) or as a
/// sample.
pub(crate) fn whole_sweeps() -> bool {
    std::env::var_os("UNLADE_SWEEPS").is_some_and(|how| how == "whole")
}

/// Checks several cases at the same time, four at most, so that what each waits for is waited for
/// once.
pub(crate) fn at_once<T: Send>(cases: impl IntoIterator<Item = T>, check: impl Fn(T) + Sync) {
    let cases = std::sync::Mutex::new(cases.into_iter().collect::<Vec<T>>());
    let (cases, check) = (&cases, &check);
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(move || {
                loop {
                    let Some(case) = cases.lock().unwrap().pop() else {
                        return;
                    };
                    check(case);
                }
            });
        }
    });
}

/// Everything where sweeps run whole; else so many, one by chance of each stretch, always the same.
pub(crate) fn sampled<T>(all: Vec<T>, most: usize) -> Vec<T> {
    if whole_sweeps() || all.len() <= most {
        return all;
    }
    let (count, mut chance) = (all.len(), sim::Chance::new(11));
    let picked = (0..most).map(|n| {
        let (from, to) = (n * count / most, (n + 1) * count / most);
        from + chance.below(to - from)
    });
    let picked: std::collections::BTreeSet<usize> = picked.collect();
    let all = all.into_iter().enumerate();
    all.filter(|(at, _)| picked.contains(at))
        .map(|(_, one)| one)
        .collect()
}
