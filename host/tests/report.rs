//! The reports of an invented run.

mod report_example;

use proofstand::record::model::Run;
use proofstand::report;
use report_example::{FILE, acceptance, rehearsal};

/// With `PROOFSTAND_BLESS` set, writes the example anew.
#[test]
fn the_example_file_is_the_example() {
    let made = report::json(&rehearsal()).unwrap();
    if std::env::var_os("PROOFSTAND_BLESS").is_some() {
        std::fs::write(FILE, &made).unwrap();
    }
    assert!(
        std::fs::read_to_string(FILE).unwrap() == made,
        "the example changed: run this test with PROOFSTAND_BLESS=1"
    );
}

#[test]
fn the_page_is_made_of_the_whole_model() {
    let page = report::html(&rehearsal());
    if let Some(folder) = std::env::var_os("PROOFSTAND_KEEP") {
        let folder = std::path::Path::new(&folder);
        std::fs::write(folder.join("rehearsal.html"), &page).unwrap();
        std::fs::write(folder.join("acceptance.html"), report::html(&acceptance())).unwrap();
        std::fs::write(folder.join("junit.xml"), report::junit(&rehearsal()).unwrap()).unwrap();
    }
    let _: Run = rehearsal();
    assert!(page.contains("Film winder"));
}
