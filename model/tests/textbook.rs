//! The model's documentation is a textbook: every public function has a runnable example.

use std::fs;
use std::path::{Path, PathBuf};

fn sources(dir: &Path, all: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).expect("the crate's own source").flatten() {
        let path = entry.path();
        if path.is_dir() {
            sources(&path, all);
        } else if path.extension().is_some_and(|e| e == "rs") {
            all.push(path);
        }
    }
}

#[test]
fn every_public_function_has_an_example() {
    let mut all = Vec::new();
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut all);
    let (mut functions, mut bare) = (0, Vec::new());
    for path in all {
        let text = fs::read_to_string(&path).expect("utf-8");
        let lines: Vec<&str> = text.lines().take_while(|l| *l != "#[cfg(test)]").collect();
        for (i, line) in lines.iter().enumerate() {
            let line = line.trim_start();
            if !(line.starts_with("pub fn ") || line.starts_with("pub const fn ")) {
                continue;
            }
            functions += 1;
            let documented = lines[..i]
                .iter()
                .rev()
                .map(|l| l.trim_start())
                .take_while(|l| l.starts_with("///") || l.starts_with("#["))
                .any(|l| l.starts_with("/// ```"));
            if !documented {
                bare.push(format!("{}:{}: {line}", path.display(), i + 1));
            }
        }
    }
    assert!(functions > 200, "{functions}");
    assert!(bare.is_empty(), "without an example:\n{}", bare.join("\n"));
}
