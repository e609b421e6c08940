//! Constants as functions whose value the environment may scale, in a copy of the engine.

use std::{collections::BTreeSet, fmt::Write as _, fs, path::Path};

use anyhow::Result;

use super::{Constant, rust_files};

/// The variable of the environment: a constant's key, `=`, a factor.
pub const VARIABLE: &str = "SCALED_CONSTANT";

/// What is added to the engine.
const SCALED: &str = r#"
/// The value of a constant, times a factor that the environment may have for it.
pub fn scaled(key: &str, value: f64, is_whole: bool) -> f64 {
    let said = std::env::var("SCALED_CONSTANT").unwrap_or_default();
    match said.rsplit_once('=') {
        Some((of, factor)) if of == key => {
            let scaled = value * factor.parse::<f64>().unwrap_or(f64::NAN);
            if is_whole { scaled.round() } else { scaled }
        }
        _ => value,
    }
}
"#;

/// What a constant is called in the environment.
pub fn key(constant: &Constant) -> String {
    format!("{}:{}", constant.file, constant.name)
}

/// Makes functions of the constants below the engine's `src`, and returns those that it could, and those that stand where
/// the compiler must know them.
pub fn make(engine: &Path, constants: Vec<Constant>) -> Result<(Vec<Constant>, Vec<Constant>)> {
    let files = rust_files(engine)?;
    let must_be_known = |constant: &Constant| {
        users(constant, &files).any(|(_, text)| is_known_early(&constant.name, without_tests(text)))
    };
    let mut early: BTreeSet<String> = constants.iter().filter(|c| must_be_known(c)).map(key).collect();
    // Two of one name that meet in a file are called alike there.
    loop {
        let named_early = |file: &str, name: &str| {
            constants.iter().any(|c| {
                c.name == name && early.contains(&key(c)) && users(c, &files).any(|(user, _)| user == file)
            })
        };
        let met = constants.iter().filter(|c| !early.contains(&key(c)));
        let met = met.filter(|c| users(c, &files).any(|(file, _)| named_early(file, &c.name)));
        let met: Vec<String> = met.map(key).collect();
        if met.is_empty() {
            break;
        }
        early.extend(met);
    }
    let (adjustable, built): (Vec<_>, Vec<_>) = constants.into_iter().partition(|c| !early.contains(&key(c)));
    for (file, text) in &files {
        let names: BTreeSet<&str> = adjustable
            .iter()
            .filter(|c| users(c, &files).any(|(user, _)| user == file))
            .map(|c| c.name.as_str())
            .collect();
        if names.is_empty() {
            continue;
        }
        let engine_code = without_tests(text);
        let mut edited = called(engine_code, &names);
        for constant in adjustable.iter().filter(|c| c.file == *file) {
            let declared = format!("const {}(): {} = {};", constant.name, constant.kind, constant.value);
            edited = edited.replace(&declared, &function(constant));
        }
        fs::write(engine.join(file), edited + &text[engine_code.len()..])?;
    }
    let root = engine.join("lib.rs");
    let text = fs::read_to_string(&root)?;
    fs::write(root, format!("#![allow(non_snake_case)]\n{text}{SCALED}"))?;
    Ok((adjustable, built))
}

/// The files that a constant is used in: its own, and those that import it from there.
fn users<'a>(
    constant: &'a Constant,
    files: &'a [(String, String)],
) -> impl Iterator<Item = &'a (String, String)> {
    let stem = constant.file.trim_end_matches(".rs").rsplit('/').next().unwrap_or_default();
    files.iter().filter(move |(file, text)| {
        let of_it = |path: &str| {
            text.match_indices(path).any(|(at, _)| {
                let rest = &text[at + path.len()..];
                let list =
                    rest.strip_prefix('{').map_or("", |list| list.split('}').next().unwrap_or_default());
                words(rest).next() == Some(constant.name.as_str())
                    || words(list).any(|word| word == constant.name)
            })
        };
        *file == constant.file || of_it(&format!("{stem}::")) || of_it("super::")
    })
}

fn without_tests(text: &str) -> &str {
    text.split("#[cfg(test)]").next().unwrap_or_default()
}

fn is_of_word(letter: char) -> bool {
    letter.is_alphanumeric() || letter == '_'
}

fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|letter| !is_of_word(letter))
}

/// Whether a name stands in another constant, or as the length of an array.
fn is_known_early(name: &str, text: &str) -> bool {
    let mut in_constant = false;
    for line in text.lines().filter(|line| !line.trim_start().starts_with("//")) {
        let code = line.trim_start().trim_start_matches("pub ");
        let starts = ["const ", "static "].iter().any(|word| code.starts_with(word));
        let declares = code.starts_with(&format!("const {name}: "));
        in_constant |= starts && !declares;
        let mut lengths =
            line.split('[').skip(1).filter_map(|part| part.split_once("; ")?.1.split(']').next());
        if (in_constant
            || (!line.contains("vec![") && lengths.any(|length| words(length).any(|w| w == name))))
            && words(line).any(|word| word == name)
        {
            return true;
        }
        in_constant &= !line.contains(';');
    }
    false
}

/// A text in which names are called, but where they are imported.
fn called(text: &str, names: &BTreeSet<&str>) -> String {
    let mut edited = String::new();
    let mut is_import = false;
    for line in text.lines() {
        let code = line.trim_start();
        is_import |= code.starts_with("use ") || code.starts_with("pub use ");
        if is_import || code.starts_with("//") {
            edited.push_str(line);
        } else {
            let mut rest = line;
            while !rest.is_empty() {
                let end = rest.find(is_of_word).unwrap_or(rest.len());
                let (between, after) = rest.split_at(end);
                let (word, after) =
                    after.split_at(after.find(|letter| !is_of_word(letter)).unwrap_or(after.len()));
                let _ = write!(edited, "{between}{word}{}", if names.contains(word) { "()" } else { "" });
                rest = after;
            }
        }
        is_import &= !line.contains(';');
        edited.push('\n');
    }
    edited
}

/// A constant as a function.
fn function(constant: &Constant) -> String {
    let Constant { name, kind, value, .. } = constant;
    let scaled = |(kind, value): (&str, &str)| {
        let is_whole = !value.contains(['.', 'e']);
        format!("crate::scaled({:?}, {value}_f64, {is_whole}) as {kind}", key(constant))
    };
    let kinds = kind.trim_matches(['(', ')']).split(", ");
    let numbers: Vec<String> = kinds.zip(value.trim_matches(['(', ')']).split(", ")).map(scaled).collect();
    let numbers = numbers.join(", ");
    let body = if kind.starts_with('(') { format!("({numbers})") } else { numbers };
    format!(
        "fn {name}() -> {kind} {{ \
         static VALUE: std::sync::OnceLock<{kind}> = std::sync::OnceLock::new(); *VALUE.get_or_init(|| {body}) }}"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn constant(name: &str, kind: &str, value: &str) -> Constant {
        let [name, kind, value] = [name, kind, value].map(str::to_owned);
        Constant { file: "a.rs".to_owned(), name, kind, value }
    }

    #[test]
    fn a_constant_becomes_a_function_and_is_called() {
        let folder = tempfile::tempdir().unwrap();
        let text = "use b::{\n    LEVEL,\n};\npub const LEVEL: f64 = 0.5;\nconst SIZE: usize = 4;\n\
                    fn f() -> f64 { LEVEL * 2.0 }\nfn g() { [0.0; SIZE]; }\n";
        fs::write(folder.path().join("a.rs"), text).unwrap();
        fs::write(folder.path().join("b.rs"), "use super::a::LEVEL;\nfn h() { -LEVEL }\n").unwrap();
        fs::write(folder.path().join("c.rs"), "const LEVEL: f64 = 1.0;\nfn h() { -LEVEL }\n").unwrap();
        fs::write(folder.path().join("lib.rs"), "").unwrap();
        let constants = vec![constant("LEVEL", "f64", "0.5"), constant("SIZE", "usize", "4")];
        let (adjustable, built) = make(folder.path(), constants).unwrap();
        let names = |list: &[Constant]| list.iter().map(|c| c.name.clone()).collect::<Vec<_>>();
        assert_eq!((names(&adjustable), names(&built)), (vec!["LEVEL".to_owned()], vec!["SIZE".to_owned()]));
        let read = |file: &str| fs::read_to_string(folder.path().join(file)).unwrap();
        let a = read("a.rs");
        assert!(a.contains("{ LEVEL() * 2.0 }") && a.contains("    LEVEL,\n"), "{a}");
        assert!(
            a.contains("const SIZE: usize = 4;")
                && a.contains(r#"crate::scaled("a.rs:LEVEL", 0.5_f64, false)"#),
            "{a}"
        );
        assert_eq!(read("b.rs"), "use super::a::LEVEL;\nfn h() { -LEVEL() }\n");
        assert!(read("c.rs").contains("{ -LEVEL }"));
    }
}
