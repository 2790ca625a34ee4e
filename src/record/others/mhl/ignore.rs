//! Owns which entries a history leaves out: patterns in the syntax of `.gitignore` (gitignore(5)).

/// Returns whether the last pattern that fits an entry leaves it out, or one that fits a folder
/// above it does.
pub fn is_ignored(patterns: &[String], path: &str, is_folder: bool) -> bool {
    let mut above = path.match_indices('/').filter_map(|(at, _)| path.get(..at));
    above.any(|folder| is_left_out(patterns, folder, true))
        || is_left_out(patterns, path, is_folder)
}

fn is_left_out(patterns: &[String], path: &str, is_folder: bool) -> bool {
    let last = patterns.iter().rev().find_map(|pattern| {
        let (pattern, is_taken_back) = match pattern.strip_prefix('!') {
            Some(rest) => (rest, true),
            None => (pattern.as_str(), false),
        };
        fits(pattern, path, is_folder).then_some(!is_taken_back)
    });
    last.unwrap_or(false)
}

fn fits(pattern: &str, path: &str, is_folder: bool) -> bool {
    let (pattern, only_folders) = match pattern.strip_suffix('/') {
        Some(rest) => (rest, true),
        None => (pattern, false),
    };
    if pattern.is_empty() || pattern.starts_with('#') || (only_folders && !is_folder) {
        return false;
    }
    match pattern.strip_prefix('/') {
        Some(anchored) => glob(anchored, path),
        None if pattern.contains('/') => glob(pattern, path),
        None => glob(pattern, path.rsplit('/').next().unwrap_or(path)),
    }
}

/// Characters of one pattern, and stars in it; one with more fits nothing.
const PATTERN_MAX: usize = 1_000;
const STARS_MAX: usize = 16;

/// Braces and a `!` in front mean nothing to `.gitignore`, but to the crate.
fn glob(pattern: &str, path: &str) -> bool {
    if pattern.len() > PATTERN_MAX || pattern.matches('*').count() > STARS_MAX {
        return false;
    }
    let plain = pattern.replace('{', "\\{").replace('}', "\\}");
    let plain = match plain.strip_prefix('!') {
        Some(rest) => format!("\\!{rest}"),
        None => plain,
    };
    fast_glob::glob_match(plain, path)
}
