//! Every page can be found from the index of its folder.

/// Names the files under `docs/` that `docs/README.md` does not link to.
pub(super) fn unlisted(files: &[String], index: &str) -> Vec<String> {
    let pages = files.iter().filter_map(|file| file.strip_prefix("docs/")).filter(|page| *page != "README.md");
    let unlisted = pages.filter(|page| !index.contains(&format!("]({page})")));
    unlisted.map(|page| format!("docs/README.md: does not link to `{page}`")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_without_a_link_is_named() {
        let files = ["README.md", "docs/README.md", "docs/a.md", "docs/json/b.json"].map(str::to_owned);
        assert_eq!(unlisted(&files, "[a](a.md) and json/b.json"), ["docs/README.md: does not link to `json/b.json`"]);
        assert_eq!(unlisted(&files, "[a](a.md) [b](json/b.json)"), [] as [String; 0]);
    }
}
