//! What a Rust source names outside of comments, strings and tests: enough of the language for that and no more.

use std::collections::BTreeSet;
use std::iter;
use std::path::{Component, Path};

/// What one source names.
#[derive(Debug, Default)]
pub struct Source {
    /// All paths, brace lists written out, those that lead up to the root of the crate beginning with `crate`.
    pub paths: Vec<Vec<String>>,
    /// All identifiers.
    pub names: BTreeSet<String>,
    /// Modules declared for tests only whose source is another file.
    pub test_modules: Vec<Vec<String>>,
}

/// The path of the module in the file `path`, from `src` on; empty for the roots.
pub fn module_path(path: &Path) -> Vec<String> {
    let mut module: Vec<String> = path
        .with_extension("")
        .components()
        .filter_map(|component| match component {
            Component::Normal(name) => Some(name.to_str().unwrap().to_owned()),
            _ => None,
        })
        .collect();
    if matches!(module.last().map(String::as_str), Some("mod" | "lib" | "main")) {
        module.pop();
    }
    module
}

impl Source {
    /// Reads the source `text` of the module `module`.
    pub fn read(module: &[String], text: &str) -> Self {
        let mut source = Self::default();
        let tokens = source.without_tests(module, &tokens(text));
        source.names = tokens.iter().filter(|token| is_name(token)).cloned().collect();
        source.collect_paths(module, &tokens);
        source
    }

    /// Leaves out every item behind `#[cfg(test)]` or `#[cfg(all(test, ..))]`.
    fn without_tests(&mut self, module: &[String], tokens: &[String]) -> Vec<String> {
        let mut kept = Vec::new();
        let mut rest = tokens;
        while let Some((token, behind)) = rest.split_first() {
            if starts_with(rest, &["#", "[", "cfg", "(", "test", ")"])
                || starts_with(rest, &["#", "[", "cfg", "(", "all", "(", "test"])
            {
                let item = &rest[attributes(rest)..];
                let length = item_length(item);
                if let Some(["mod", name, ";"]) =
                    item[..length].last_chunk::<3>().map(|last| last.each_ref().map(|token| &token[..]))
                {
                    self.test_modules.push(module.iter().cloned().chain([name.to_owned()]).collect());
                }
                rest = &item[length..];
            } else {
                kept.push(token.clone());
                rest = behind;
            }
        }
        kept
    }

    fn collect_paths(&mut self, module: &[String], tokens: &[String]) {
        // Modules written out in this file, with the depth of braces outside of them.
        let mut inner: Vec<(String, usize)> = Vec::new();
        let mut depth = 0_usize;
        let mut place = 0;
        while place < tokens.len() {
            match tokens[place].as_str() {
                "{" => depth += 1,
                "}" => {
                    depth = depth.saturating_sub(1);
                    inner.pop_if(|(_, outside)| *outside == depth);
                }
                "mod" if tokens.get(place + 2).is_some_and(|token| token == "{") => {
                    inner.push((tokens[place + 1].clone(), depth));
                }
                "use" => {
                    let here: Vec<String> =
                        module.iter().cloned().chain(inner.iter().map(|(name, _)| name.clone())).collect();
                    place += 1;
                    if starts_with(&tokens[place..], &["::"]) {
                        place += 1;
                    }
                    place = self.tree(&here, &[], tokens, place);
                    continue;
                }
                token if is_name(token) => {
                    let here: Vec<String> =
                        module.iter().cloned().chain(inner.iter().map(|(name, _)| name.clone())).collect();
                    place = self.path(&here, tokens, place);
                    continue;
                }
                _ => {}
            }
            place += 1;
        }
    }

    /// A path in an expression or a type; returns the place behind it.
    fn path(&mut self, module: &[String], tokens: &[String], mut place: usize) -> usize {
        let mut path = vec![tokens[place].clone()];
        place += 1;
        while starts_with(&tokens[place..], &["::"]) && tokens.get(place + 1).is_some_and(|token| is_name(token)) {
            path.push(tokens[place + 1].clone());
            place += 2;
        }
        // `pub(crate)` takes nothing.
        if path != ["crate"] {
            self.paths.push(from_root(module, path));
        }
        place
    }

    /// One branch of a use declaration behind `stem`; returns the place behind it.
    fn tree(&mut self, module: &[String], stem: &[String], tokens: &[String], mut place: usize) -> usize {
        let mut path = stem.to_vec();
        loop {
            match tokens.get(place).map(String::as_str) {
                Some("{") => {
                    place += 1;
                    while tokens.get(place).is_some_and(|token| token != "}") {
                        place = self.tree(module, &path, tokens, place);
                        place += usize::from(starts_with(&tokens[place..], &[","]));
                    }
                    return place + 1;
                }
                Some("*") => path.push("*".to_owned()),
                Some("self") if !path.is_empty() => {}
                Some(name) if is_name(name) => path.push(name.to_owned()),
                _ => return place + 1,
            }
            place += 1;
            if !starts_with(&tokens[place..], &["::"]) {
                break;
            }
            place += 1;
        }
        if starts_with(&tokens[place..], &["as"]) {
            place += 2;
        }
        self.paths.push(from_root(module, path));
        place
    }
}

/// `path` as it is from the root of the crate, if it climbs there by `super`.
fn from_root(module: &[String], path: Vec<String>) -> Vec<String> {
    let up = path.iter().skip_while(|name| *name == "self").take_while(|name| *name == "super").count();
    if up == 0 {
        return path;
    }
    let above = module[..module.len().saturating_sub(up)].iter().cloned();
    let below = path.into_iter().filter(|name| name != "super" && name != "self");
    iter::once("crate".to_owned()).chain(above).chain(below).collect()
}

/// Length of the attributes at the start of `tokens`.
fn attributes(tokens: &[String]) -> usize {
    let mut length = 0;
    while starts_with(&tokens[length..], &["#", "["]) {
        let mut depth = 0_usize;
        for token in &tokens[length + 1..] {
            length += 1;
            match token.as_str() {
                "[" => depth += 1,
                "]" => depth -= 1,
                _ => {}
            }
            if depth == 0 {
                break;
            }
        }
        length += 1;
    }
    length
}

/// Length of the item at the start of `tokens`: to its semicolon, or to the end of its braces.
fn item_length(tokens: &[String]) -> usize {
    let is_use = tokens.iter().take_while(|token| *token != "{" && *token != ";").any(|token| token == "use");
    let mut depth = 0_usize;
    for (place, token) in tokens.iter().enumerate() {
        match token.as_str() {
            "{" | "(" | "[" => depth += 1,
            "}" | ")" | "]" => depth = depth.saturating_sub(1),
            _ => {}
        }
        if depth == 0 && (token == ";" || token == "}" && !is_use) {
            return place + 1;
        }
    }
    tokens.len()
}

fn starts_with(tokens: &[String], start: &[&str]) -> bool {
    tokens.len() >= start.len() && tokens.iter().zip(start).all(|(token, start)| token == start)
}

fn is_name(token: &str) -> bool {
    token.starts_with(|first: char| first.is_alphabetic() || first == '_')
}

/// Names, numbers, `::` and single marks; without comments, strings, characters and lifetimes.
fn tokens(text: &str) -> Vec<String> {
    let mut tokens = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let length = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("/*") {
            comment_length(rest)
        } else if let Some(length) = literal_length(rest) {
            length
        } else if first.is_alphanumeric() || first == '_' {
            let length = rest.find(|next: char| !next.is_alphanumeric() && next != '_').unwrap_or(rest.len());
            tokens.push(rest[..length].to_owned());
            length
        } else if rest.starts_with("::") {
            tokens.push("::".to_owned());
            2
        } else {
            if !first.is_whitespace() {
                tokens.push(first.to_string());
            }
            first.len_utf8()
        };
        rest = &rest[length..];
    }
    tokens
}

/// Length of the block comment at the start of `text`; they nest.
fn comment_length(text: &str) -> usize {
    let mut depth = 0_usize;
    let mut place = 0;
    while place < text.len() {
        if text[place..].starts_with("/*") {
            depth += 1;
            place += 2;
        } else if text[place..].starts_with("*/") {
            depth -= 1;
            place += 2;
            if depth == 0 {
                break;
            }
        } else {
            place += text[place..].chars().next().map_or(1, char::len_utf8);
        }
    }
    place
}

/// Length of the string, character or lifetime at the start of `text`, if there is one.
fn literal_length(text: &str) -> Option<usize> {
    let prefix = ["br", "cr", "b", "c", "r"].into_iter().find(|prefix| {
        text.strip_prefix(*prefix).is_some_and(|rest| {
            rest.trim_start_matches('#').starts_with('"') || *prefix == "b" && rest.starts_with('\'')
        })
    });
    let prefix = prefix.unwrap_or("");
    let body = &text[prefix.len()..];
    if prefix.ends_with('r') {
        let hashes = body.len() - body.trim_start_matches('#').len();
        let end = format!("\"{}", "#".repeat(hashes));
        let start = prefix.len() + hashes + 1;
        return Some(text[start..].find(&end).map_or(text.len(), |length| start + length + end.len()));
    }
    let mut chars = body.char_indices();
    let (_, quote) = chars.next().filter(|(_, quote)| matches!(quote, '"' | '\''))?;
    if quote == '\'' && !body[1..].starts_with('\\') && body[1..].chars().nth(1).is_none_or(|next| next != '\'') {
        let name = body[1..].find(|next: char| !next.is_alphanumeric() && next != '_');
        return Some(name.map_or(text.len(), |length| 1 + length));
    }
    while let Some((place, char)) = chars.next() {
        match char {
            '\\' => {
                chars.next();
            }
            char if char == quote => return Some(prefix.len() + place + 1),
            _ => {}
        }
    }
    Some(text.len())
}
