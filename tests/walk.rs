//! `docs/rulebook-walk.md`: every command in it is run as it stands, and its answer is what stands under it; the examples of
//! `docs/rulebook.md` work as they stand. `UPDATE=1 cargo test --test walk` writes the answers of the walk.

use std::path::PathBuf;
use std::process::{Command, Stdio};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// What a shell says to a command, and how it ends. `before`: how the command before it ended.
fn answer(command: &str, before: i32) -> (String, i32) {
    let program = PathBuf::from(env!("CARGO_BIN_EXE_enteral-gate"));
    let path = format!("{}:{}", program.parent().unwrap().display(), std::env::var("PATH").unwrap());
    let output = Command::new("sh")
        .args(["-c", &format!("(exit {before})\n{command}")])
        .current_dir(root())
        .env("PATH", path)
        .env_remove("ENTERAL_GATE_RULEBOOK")
        .env_remove("ENTERAL_GATE_FORMULARY")
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let said = [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).unwrap()).concat();
    (said, output.status.code().unwrap())
}

#[test]
fn every_command_of_the_walk_answers_what_stands_under_it() {
    let file = root().join("docs/rulebook-walk.md");
    let page = std::fs::read_to_string(&file).unwrap();
    let (mut fresh, mut inside, mut ended, mut commands) = (String::new(), false, 0, 0);
    for line in page.lines() {
        if line.starts_with("```") {
            inside = line == "```text";
        } else if let (true, Some(command)) = (inside, line.strip_prefix("$ ")) {
            let (said, code) = answer(command, ended);
            ended = code;
            commands += 1;
            fresh.push_str(&format!("{line}\n{said}"));
            if !said.ends_with('\n') {
                fresh.push('\n');
            }
            continue;
        } else if inside {
            continue;
        }
        fresh.push_str(line);
        fresh.push('\n');
    }
    assert!(commands >= 14, "{commands}");
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(&file, &fresh).unwrap();
    }
    let page = std::fs::read_to_string(&file).unwrap();
    assert!(page == fresh, "stale: UPDATE=1 cargo test --test walk\n{fresh}");
    // What the walk is for.
    for wanted in ["2 of 3 limits", "0 of"] {
        assert!(!fresh.contains(&format!("{wanted} orders change")), "{wanted}");
    }
    assert!(fresh.contains("rule RTE-03") && fresh.contains("rule RTE-90") && fresh.contains("rule LOC-01"), "{fresh}");
}

/// The first example of the page is a rulebook; the file of an institution extends it.
#[test]
fn the_examples_of_the_page_work_as_they_stand() {
    let page = std::fs::read_to_string(root().join("docs/rulebook.md")).unwrap();
    let example = |after: &str| {
        let (_, rest) = page.split_once(after).unwrap();
        let (_, block) = rest.split_once("```toml\n").unwrap();
        block.split_once("```").unwrap().0.to_owned()
    };
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("page-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let first = folder.join("example.toml");
    std::fs::write(&first, example("## A first example")).unwrap();
    let own = folder.join("own.toml");
    std::fs::write(&own, example("## The institution's own file")).unwrap();
    for file in [&first, &own] {
        let file = file.display();
        let (said, code) = answer(&format!("enteral-gate rules test --rulebook {file}"), 0);
        assert!(said.contains("4 passed, 0 failed; 1 of 1 limits have all four kinds of test"), "{said}");
        assert_eq!(code, 0, "{said}");
        let (said, code) = answer(&format!("enteral-gate rules check --rulebook {file}"), 0);
        assert!([0, 2].contains(&code) && !said.contains("fails"), "{said}");
    }
    std::fs::remove_dir_all(&folder).unwrap();
}
