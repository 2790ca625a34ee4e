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
        Some(anchored) => fast_glob::glob_match(anchored, path),
        None if pattern.contains('/') => fast_glob::glob_match(pattern, path),
        None => {
            let name = path.rsplit('/').next().unwrap_or(path);
            fast_glob::glob_match(pattern, name)
        }
    }
}
