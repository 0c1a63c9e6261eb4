use proptest::prelude::*;

use super::*;
use crate::record::model::{Band, Lane, Mark, Panel, Series, SeriesStyle};

fn axis(label: &str, unit: &str) -> PlotAxis {
    PlotAxis { label: label.into(), unit: unit.into() }
}

fn series(name: &str, style: SeriesStyle, points: Vec<[f64; 2]>) -> Series {
    Series { name: name.into(), style, points, uncertainty: Vec::new() }
}

fn plot(panels: Vec<Panel>, lanes: Vec<Lane>) -> Plot {
    Plot { id: "p".into(), title: "t".into(), description: "d".into(), x: axis("Time", "s"), panels, lanes }
}

fn overlaps(canvas: &Canvas) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for (i, a) in canvas.labels.iter().enumerate() {
        for b in &canvas.labels[..i] {
            let ([al, at, ar, ab], [bl, bt, br, bb]) = (a.bounds(), b.bounds());
            if al < br && bl < ar && at < bb && bt < ab {
                found.push((a.text.clone(), b.text.clone()));
            }
        }
    }
    found
}

fn cap_panel(marks: &[(&str, f64)], top: f64) -> Panel {
    Panel {
        y: axis("Speed", "rpm"),
        series: vec![series(
            "speed from counts",
            SeriesStyle::Line,
            vec![[0.0, 0.0], [1.0, top], [2.0, top]],
        )],
        bands: vec![Band {
            name: "tolerance of the cap".into(),
            points: vec![[0.0, 1960.0, 2040.0], [2.0, 1960.0, 2040.0]],
        }],
        marks: marks.iter().map(|(n, y)| Mark { name: (*n).into(), y: *y }).collect(),
    }
}

fn lane(changes: &[f64]) -> Lane {
    Lane {
        name: "holding speed down, terminal G1".into(),
        initial: false,
        changes: changes.to_vec(),
        high_label: "conducting".into(),
        low_label: "open".into(),
    }
}

#[test]
fn names_of_marks_close_together_stand_apart() {
    let marks = [("cap", 2000.0), ("98 % of the cap", 1960.0), ("most allowed", 2040.0), ("trip", 2400.0)];
    let (canvas, _) = compose(&plot(vec![cap_panel(&marks, 2000.0)], vec![lane(&[0.9]), lane(&[])]));
    assert_eq!(overlaps(&canvas), []);
}

proptest! {
    #[test]
    fn no_label_covers_another(
        heights in prop::collection::vec(-1e4f64..1e4, 0..6),
        names in prop::collection::vec("[a-zA-Z0-9 %·]{1,60}", 6),
        top in -1e6f64..1e6,
        lanes in 0usize..4,
        panels in 1usize..4,
    ) {
        let marks: Vec<_> = names.iter().map(String::as_str).zip(heights).collect();
        let panels = (0..panels).map(|_| cap_panel(&marks, top)).collect();
        let (canvas, height) = compose(&plot(panels, vec![lane(&[0.5, 1.5]); lanes]));
        prop_assert_eq!(overlaps(&canvas), vec![]);
        for l in &canvas.labels {
            let [left, top, right, bottom] = l.bounds();
            prop_assert!(left >= -1.0 && right <= layout::WIDTH + 12.0 && top >= -1.0 && bottom <= height + 1.0, "{:?}", l);
        }
    }

    #[test]
    fn any_numbers_at_all_make_a_picture_with_finite_places(
        points in prop::collection::vec((any::<f64>(), any::<f64>()), 0..50),
    ) {
        let points: Vec<[f64; 2]> = points.into_iter().map(|(x, y)| [x, y]).collect();
        let panel = Panel {
            y: axis("y", ""),
            series: vec![series("a", SeriesStyle::Points, points.clone()), series("b", SeriesStyle::Line, points)],
            bands: vec![],
            marks: vec![Mark { name: "m".into(), y: f64::NAN }],
        };
        let svg = draw(&plot(vec![panel], vec![])).svg.into_string();
        prop_assert!(!svg.contains("NaN") && !svg.contains("inf"));
    }
}

#[test]
fn a_long_run_stays_a_small_picture() {
    let points = (0..200_000).map(|i| [f64::from(i) * 1e-3, (f64::from(i) * 0.37).sin() * 2000.0]).collect();
    let panel = Panel {
        y: axis("Speed", "rpm"),
        series: vec![series("s", SeriesStyle::Line, points)],
        bands: vec![],
        marks: vec![],
    };
    assert!(draw(&plot(vec![panel], vec![])).svg.into_string().len() < 120_000);
}

#[test]
fn points_that_would_hide_one_another_stand_aside_and_the_reader_is_told() {
    let exact =
        |n: &str| series(n, SeriesStyle::Points, (1..=10).map(|i| [f64::from(i), 10_000.0]).collect());
    let panel =
        |s| Panel { y: axis("Counts per revolution", "counts"), series: s, bands: vec![], marks: vec![] };
    let two = draw(&plot(vec![panel(vec![exact("forward"), exact("reverse")])], vec![]));
    assert!(two.remark.is_some());
    assert!(draw(&plot(vec![panel(vec![exact("forward")])], vec![])).remark.is_none());
}

#[test]
fn a_lane_changes_where_the_model_says() {
    let svg = draw(&plot(vec![cap_panel(&[], 2000.0)], vec![lane(&[0.5, 1.0])])).svg.into_string();
    let (canvas, _) = compose(&plot(vec![cap_panel(&[], 2000.0)], vec![lane(&[0.5, 1.0])]));
    let layout = layout::Layout::of(&plot(vec![cap_panel(&[], 2000.0)], vec![lane(&[0.5, 1.0])]));
    let (low, high) = (px(layout.lanes[0] + 36.0), px(layout.lanes[0] + 20.0));
    let (a, b) = (px(layout.x.at(0.5)), px(layout.x.at(1.0)));
    let trace = format!("M{} {low}H{a}V{high}H{b}V{low}H{}", px(layout.x.start), px(layout.x.end));
    assert!(svg.contains(&trace), "{trace}\n{svg}");
    assert!(
        canvas.labels.iter().any(|l| l.text == "conducting")
            && canvas.labels.iter().any(|l| l.text == "open")
    );
}

#[test]
fn a_change_of_a_lane_before_the_first_point_is_on_the_picture() {
    let mut plot = plot(vec![cap_panel(&[], 2000.0)], vec![lane(&[-3.0, -2.0])]);
    plot.panels[0].bands.clear();
    let layout = layout::Layout::of(&plot);
    assert!(layout.x.from <= -3.0 && layout.x.to >= 2.0, "{} to {}", layout.x.from, layout.x.to);
}

#[test]
fn an_axis_is_named_with_its_unit_once() {
    assert_eq!(axis_words(&axis("Speed", "rpm")), "Speed in rpm");
    assert_eq!(axis_words(&axis("Counts per revolution", "counts")), "Counts per revolution");
    assert_eq!(axis_words(&axis("Revolution", "")), "Revolution");
    assert_eq!(axis_words(&axis("Time since the check began", "s")), "Time since the check began in s");
}
