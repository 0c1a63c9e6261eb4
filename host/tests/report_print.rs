//! The page as a browser prints it.

#![allow(clippy::unwrap_used, clippy::expect_used)] // Only tests are built with this file.

mod report_example;

use std::path::Path;
use std::process::Command;

use proofstand::record::model::Run;
use proofstand::report;
use report_example::{acceptance, rehearsal};

/// Prints a run's page to PDF and gives the text of each printed page.
fn printed(run: &Run, folder: &Path) -> Vec<String> {
    let (page, pdf) = (folder.join("report.html"), folder.join("report.pdf"));
    std::fs::write(&page, report::html(run)).unwrap();
    let done = Command::new("chromium")
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"])
        .arg(format!("--user-data-dir={}", folder.join("profile").display()))
        .arg(format!("--print-to-pdf={}", pdf.display()))
        .arg(format!("file://{}", page.display()))
        .output()
        .expect("chromium must be installed for this test");
    assert!(pdf.exists(), "{}", String::from_utf8_lossy(&done.stderr));
    let done = Command::new("pdftotext")
        .args(["-layout".as_ref(), pdf.as_os_str(), "-".as_ref()])
        .output()
        .expect("pdftotext must be installed for this test");
    let text = String::from_utf8(done.stdout).unwrap();
    // pdftotext ends every page with a form feed.
    text.split_terminator('\u{c}').map(str::to_owned).collect()
}

#[test]
#[ignore = "needs chromium and pdftotext"]
fn every_printed_page_of_a_rehearsal_says_so_at_head_and_foot() {
    let folder = tempfile::tempdir().unwrap();
    let pages = printed(&rehearsal(), folder.path());
    assert!(pages.len() >= 4, "{} pages", pages.len());
    for (n, page) in pages.iter().enumerate() {
        let lines: Vec<&str> = page.lines().map(str::trim).filter(|l| !l.is_empty()).collect();
        let marked = |l: &str| l.contains("REHEARSAL \u{2014} NOT EVIDENCE");
        assert!(lines.iter().take(4).any(|l| marked(l)), "head of page {}:\n{page}", n + 1);
        assert!(lines.iter().rev().take(3).any(|l| marked(l)), "foot of page {}:\n{page}", n + 1);
        assert!(page.contains(&format!("page {} of {}", n + 1, pages.len())), "page {}", n + 1);
    }
}

#[test]
#[ignore = "needs chromium and pdftotext"]
fn no_printed_page_of_an_acceptance_speaks_of_a_rehearsal() {
    let folder = tempfile::tempdir().unwrap();
    let pages = printed(&acceptance(), folder.path());
    assert!(pages.len() >= 4, "{} pages", pages.len());
    for page in pages {
        assert!(!page.to_lowercase().contains("rehears"));
        assert!(page.contains("film-winder-20260304-091244"));
    }
}
