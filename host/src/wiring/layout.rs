//! The wiring on A4 pages: fixture left, amplifier right, one row to a wire.

use super::drawing::{Anchor, Drawing, PAGE_HEIGHT, PAGE_WIDTH};
use super::legend::{Signs, badge, key, legend};
use super::lettering::{width, wrap};
use super::text::shared;
use super::{AtRest, Cable, Line, Wire, Wiring};

/// A page and its SVG text.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// What is drawn.
    pub drawing: Drawing,
    /// The same as SVG.
    pub svg: String,
}

pub(super) const MARGIN: f64 = 10.0;
pub(super) const RIGHT: f64 = PAGE_WIDTH - MARGIN;
pub(super) const FOOT: f64 = PAGE_HEIGHT - 16.0;
/// Above the foot: what the signs of the page mean.
const KEY: f64 = 3.4;
/// Rows end here.
const FULL: f64 = FOOT - KEY;
pub(super) const SMALL: f64 = 2.7;
pub(super) const PLAIN: f64 = 3.0;
const LABEL: f64 = 3.6;
const LEADING: f64 = 3.4;
const ROW: f64 = 7.6;
/// Between pairs that no screen holds together.
const GAP: f64 = 1.4;

// Columns, from the left: box to tick, signal, polarity, fixture terminal, wire, amplifier terminal, lanes, notes.
const TICK: f64 = MARGIN;
const SIGNAL: f64 = 16.0;
const SIGNAL_WIDTH: f64 = 37.0;
const MARK: f64 = 57.0;
const FIXTURE: f64 = 61.0;
const FIXTURE_WIDTH: f64 = 11.0;
const WIRE: f64 = FIXTURE + FIXTURE_WIDTH;
const SCREEN_LEFT: f64 = 82.0;
const TWIST: [f64; 2] = [87.0, 111.0];
const SCREEN_RIGHT: f64 = 116.0;
const WIRE_END: f64 = 126.0;
const AMPLIFIER: f64 = 132.0;
const AMPLIFIER_WIDTH: f64 = 26.0;
const LANES: f64 = 160.5;
const LANE: f64 = 2.2;
const NOTES: f64 = 168.0;
const NOTES_WIDTH: f64 = RIGHT - NOTES;

/// A row laid out but not yet placed.
struct Row<'w> {
    wire: &'w Wire,
    signal: Vec<String>,
    label: Vec<String>,
    notes: Vec<String>,
    height: f64,
}

impl<'w> Row<'w> {
    fn of(wire: &'w Wire) -> Self {
        let signal = wrap(&wire.signal, SIGNAL_WIDTH, PLAIN, false);
        let one = vec![wire.amplifier.clone()];
        let fits = width(&wire.amplifier, LABEL, true) <= AMPLIFIER_WIDTH - 2.0;
        let label = if fits { one } else { wrap(&wire.amplifier, AMPLIFIER_WIDTH - 2.0, SMALL, true) };
        let mut text = Vec::new();
        if !wire.note.is_empty() {
            text.push(wire.note.clone());
        }
        text.extend(shared(wire));
        let mut notes = Vec::new();
        for (number, note) in text.iter().enumerate() {
            // The badge NC takes the first line's left end.
            let indent = if number == 0 && wire.at_rest == Some(AtRest::Closed) { BADGE } else { 0.0 };
            notes.extend(wrap(note, NOTES_WIDTH - indent, SMALL, false));
        }
        #[expect(clippy::cast_precision_loss, reason = "a few lines")]
        let lines = signal.len().max(label.len()).max(notes.len()) as f64;
        Self { wire, signal, label, notes, height: (lines * LEADING + 1.4).max(ROW) }
    }
}

const BADGE: f64 = 6.6;

/// Every page. `file` and `crc32` say which sheet it was drawn from.
#[must_use]
pub fn pages(wiring: &Wiring, file: &str, crc32: &str) -> Vec<Sheet> {
    let mut layout = Layout { wiring, pages: Vec::new(), signs: Vec::new(), y: 0.0, labels: Vec::new() };
    layout.open();
    layout.block("Cautions", &wiring.cautions);
    layout.headings();
    for cable in &wiring.cables {
        layout.cable(cable);
    }
    layout.lanes();
    let missing: Vec<_> =
        wiring.missing.iter().map(|missing| format!("{}: {}", missing.role, missing.cost)).collect();
    if !missing.is_empty() {
        layout.room_for(20.0);
        layout.block("Not in the sheet", &missing);
    }
    layout.legend();
    let count = layout.pages.len();
    let (title, customer) = (&wiring.title, &wiring.customer);
    let described = format!(
        "Wiring of {title} for {customer}: {} wires from the fixture's terminals on the left to the amplifier's on the \
         right. The terminal table of the same sheet says the same in text.",
        wiring.wires().count()
    );
    let mut sheets = Vec::new();
    for (number, (mut drawing, signs)) in layout.pages.into_iter().zip(layout.signs).enumerate() {
        let page = format!("page {}/{count}", number + 1);
        key(&mut drawing, &signs, number > 0);
        foot(&mut drawing, file, crc32, &page);
        let svg = drawing.svg(&format!("Wiring: {title}, {page}"), &described);
        sheets.push(Sheet { drawing, svg });
    }
    sheets
}

fn foot(drawing: &mut Drawing, file: &str, crc32: &str, page: &str) {
    drawing.line([MARGIN, FOOT + 1.5, RIGHT, FOOT + 1.5], 0.3, false);
    let page_width = 22.0;
    let from = format!("Sheet {file}, CRC-32 {crc32}");
    let from = wrap(&from, RIGHT - MARGIN - page_width, SMALL, false);
    drawing.text(MARGIN, FOOT + 5.5, SMALL, from.first().map_or("", String::as_str));
    drawing.letters(RIGHT, FOOT + 5.5, SMALL, true, Anchor::End, page);
    let safety = "The fixture is a bench instrument, not a safety component. The amplifier maker's instructions come first.";
    drawing.text(MARGIN, FOOT + 9.5, SMALL, safety);
}

struct Layout<'w> {
    wiring: &'w Wiring,
    pages: Vec<Drawing>,
    /// What is drawn on each of them.
    signs: Vec<Signs>,
    y: f64,
    /// Amplifier terminals of the page with the height of their rows.
    labels: Vec<(&'w str, f64)>,
}

impl<'w> Layout<'w> {
    fn page(&mut self) -> &mut Drawing {
        if self.pages.is_empty() {
            self.pages.push(Drawing::default());
            self.signs.push(Signs::default());
        }
        let last = self.pages.len() - 1;
        &mut self.pages[last]
    }

    /// A new page with its title.
    fn open(&mut self) {
        self.lanes();
        self.pages.push(Drawing::default());
        self.signs.push(Signs::default());
        let mut room = RIGHT - MARGIN;
        if self.wiring.invented {
            let mark = "INVENTED DATA";
            let wide = width(mark, LABEL, true) + 4.0;
            let left = RIGHT - wide;
            self.page().frame([left, MARGIN, wide, 7.0], 0.0, 0.6, false);
            self.page().letters(left + wide / 2.0, MARGIN + 4.8, LABEL, true, Anchor::Middle, mark);
            room -= wide + 4.0;
        }
        let wiring = self.wiring;
        self.y = MARGIN + 5.0;
        for line in wrap(&format!("Wiring: {}", wiring.title), room, 5.0, true) {
            let y = self.y;
            self.page().letters(MARGIN, y, 5.0, true, Anchor::Start, &line);
            self.y += 6.0;
        }
        for line in wrap(&wiring.customer, room, PLAIN, false) {
            let y = self.y;
            self.page().text(MARGIN, y, PLAIN, &line);
            self.y += 4.2;
        }
        self.y += 1.0;
    }

    /// A new page if so much does not fit any more.
    fn room_for(&mut self, height: f64) -> bool {
        let full = self.y + height > FULL;
        if full {
            self.open();
        }
        full
    }

    /// A framed list.
    fn block(&mut self, heading: &str, items: &[String]) {
        if items.is_empty() {
            return;
        }
        let mut lines = Vec::new();
        for item in items {
            for (number, line) in wrap(item, RIGHT - MARGIN - 9.0, SMALL, false).into_iter().enumerate() {
                lines.push((number == 0, line));
            }
        }
        let mut lines = lines.into_iter().peekable();
        while lines.peek().is_some() {
            self.room_for(14.0);
            let top = self.y;
            let mut y = top + 5.0;
            self.page().letters(MARGIN + 3.0, y, PLAIN, true, Anchor::Start, heading);
            while y + LEADING + 2.0 < FULL
                && let Some((first, line)) = lines.next()
            {
                y += LEADING + if first { 0.6 } else { 0.0 };
                if first {
                    self.page().letters(MARGIN + 3.0, y, SMALL, true, Anchor::Start, "\u{2013}");
                }
                self.page().text(MARGIN + 6.0, y, SMALL, &line);
            }
            self.page().frame([MARGIN, top, RIGHT - MARGIN, y + 2.2 - top], 0.0, 0.5, false);
            self.y = y + 6.0;
        }
    }

    /// Which side is which.
    fn headings(&mut self) {
        let y = self.y + 2.0;
        let page = self.page();
        page.letters(WIRE, y, LABEL, true, Anchor::End, "FIXTURE");
        page.letters(f64::midpoint(WIRE, WIRE_END), y, PLAIN, false, Anchor::Middle, "wire");
        page.letters(AMPLIFIER, y, LABEL, true, Anchor::Start, "AMPLIFIER");
        page.line([MARGIN, y + 1.8, RIGHT, y + 1.8], 0.3, false);
        self.y = y + 4.0;
    }

    /// A cable, on a new page if it does not fit; one longer than a page is broken between its lines.
    fn cable(&mut self, cable: &'w Cable) {
        let rows: Vec<Vec<Row<'w>>> =
            cable.lines.iter().map(|line| line.wires().map(Row::of).collect()).collect();
        let line_height = |line: &[Row<'_>]| line.iter().map(|row| row.height).sum::<f64>();
        let screen = if cable.screen.is_some() { ROW } else { 0.0 };
        let all: f64 = rows.iter().map(|line| line_height(line) + GAP).sum::<f64>() + screen + 6.0;
        let fresh = FULL - 60.0;
        if all < fresh && self.room_for(all) {
            self.headings();
        }
        self.cable_name(cable, "");
        let mut top = self.y;
        for (line, rows) in cable.lines.iter().zip(&rows) {
            let height = line_height(rows);
            if self.y + height + screen > FULL {
                self.screen(cable, top);
                self.open();
                self.headings();
                self.cable_name(cable, ", continued");
                top = self.y;
            }
            self.line(line, rows);
            if cable.screen.is_none() {
                self.y += GAP;
            }
        }
        self.screen(cable, top);
        self.y += 3.0;
    }

    fn cable_name(&mut self, cable: &Cable, more: &str) {
        let y = self.y + 4.0;
        let name = format!("{} {}{more}", cable.block.letter(), cable.name);
        self.page().letters(MARGIN, y, PLAIN, true, Anchor::Start, &name);
        self.y = y + 2.0;
    }

    /// One or two rows and the wires between their ends.
    fn line(&mut self, line: &Line, rows: &[Row<'w>]) {
        let mut heights = Vec::new();
        for row in rows {
            let middle = self.y + row.height / 2.0;
            self.ends(row, middle);
            heights.push(middle);
            self.y += row.height;
        }
        let dashed = rows.iter().any(|row| row.wire.delivered_unwired);
        let closed = rows.iter().any(|row| row.wire.at_rest == Some(AtRest::Closed));
        if let Some(signs) = self.signs.last_mut() {
            signs.unwired |= dashed;
            signs.closed |= closed;
        }
        let page = self.page();
        match (line, heights.as_slice()) {
            (Line::Pair { twisted: true, .. }, &[upper, lower]) => {
                for y in [upper, lower] {
                    page.wire([WIRE, y, TWIST[0], y], dashed);
                    page.wire([TWIST[1], y, AMPLIFIER, y], dashed);
                }
                page.twist([TWIST[0], upper, TWIST[1], lower], 2, dashed);
            }
            (_, heights) => {
                for y in heights {
                    page.wire([WIRE, *y, AMPLIFIER, *y], dashed);
                }
            }
        }
    }

    /// Both ends of a wire, and what is written beside them.
    fn ends(&mut self, row: &Row<'w>, middle: f64) {
        let wire = row.wire;
        self.labels.push((&wire.amplifier, middle));
        let page = self.page();
        page.frame([TICK, middle - 1.8, 3.6, 3.6], 0.0, 0.3, false);
        column(page, SIGNAL, middle, PLAIN, false, Anchor::Start, &row.signal);
        let mark = wire.polarity.mark();
        let (size, bold) = if mark.chars().count() == 1 { (4.6, true) } else { (SMALL, true) };
        if !mark.is_empty() {
            page.letters(MARK, middle + 0.3 * size, size, bold, Anchor::Middle, mark);
        }
        page.frame([FIXTURE, middle - 2.9, FIXTURE_WIDTH, 5.8], 0.8, 0.5, false);
        let fixture = FIXTURE + FIXTURE_WIDTH / 2.0;
        page.letters(fixture, middle + 1.3, LABEL, true, Anchor::Middle, wire.fixture);
        let number = wire.number.to_string();
        page.letters(WIRE + 5.0, middle - 0.9, SMALL, false, Anchor::Middle, &number);
        page.letters(WIRE_END - 4.0, middle - 0.9, SMALL, false, Anchor::Middle, &number);

        let size = if row.label.len() > 1 { SMALL } else { LABEL };
        let size = if row.label.iter().any(|line| width(line, size, true) > AMPLIFIER_WIDTH - 2.0) {
            SMALL
        } else {
            size
        };
        #[expect(clippy::cast_precision_loss, reason = "a few lines")]
        let tall = (row.label.len() as f64 * LEADING + 0.8).max(5.8);
        page.frame([AMPLIFIER, middle - tall / 2.0, AMPLIFIER_WIDTH, tall], 0.8, 0.5, false);
        let amplifier = AMPLIFIER + AMPLIFIER_WIDTH / 2.0;
        column(page, amplifier, middle, size, true, Anchor::Middle, &row.label);

        let mut indent = 0.0;
        if wire.at_rest == Some(AtRest::Closed) {
            #[expect(clippy::cast_precision_loss, reason = "a few lines")]
            let first = middle - LEADING * (row.notes.len().max(1) as f64 - 1.0) / 2.0;
            badge(page, NOTES, first);
            indent = BADGE;
        }
        for (number, line) in row.notes.iter().enumerate() {
            #[expect(clippy::cast_precision_loss, reason = "a few lines")]
            let y = baseline(middle, SMALL, number as f64, row.notes.len() as f64);
            page.text(NOTES + if number == 0 { indent } else { 0.0 }, y, SMALL, line);
        }
    }

    /// The screen around the rows since `top`, its wire to the fixture, its cut end at the amplifier.
    fn screen(&mut self, cable: &Cable, top: f64) {
        let Some(terminal) = cable.screen else { return };
        let bottom = self.y;
        let middle = self.y + ROW / 2.0;
        let page = self.page();
        page.frame([SCREEN_LEFT, top + 0.4, SCREEN_RIGHT - SCREEN_LEFT, bottom - top - 0.8], 2.4, 0.45, true);
        let drain = SCREEN_LEFT + 4.0;
        page.line([drain, bottom - 0.4, drain, middle], 0.45, false);
        page.dot(drain, bottom - 0.4);
        page.wire([WIRE, middle, drain, middle], false);
        page.frame([TICK, middle - 1.8, 3.6, 3.6], 0.0, 0.3, false);
        column(page, SIGNAL, middle, PLAIN, false, Anchor::Start, &["screen".to_owned()]);
        page.frame([FIXTURE, middle - 2.9, FIXTURE_WIDTH, 5.8], 0.8, 0.5, false);
        page.letters(FIXTURE + FIXTURE_WIDTH / 2.0, middle + 1.3, LABEL, true, Anchor::Middle, terminal);
        let cut = "tied here only; at the amplifier: cut back, insulate";
        let cut = wrap(cut, LANES - drain - 5.0, SMALL, false);
        column(page, drain + 3.0, middle, SMALL, false, Anchor::Start, &cut);
        self.y += ROW;
    }

    /// Joins the terminals of the page that are one terminal, in lanes to the right of them.
    fn lanes(&mut self) {
        let labels = std::mem::take(&mut self.labels);
        let mut names: Vec<&str> = labels.iter().map(|(label, _)| *label).collect();
        names.sort_unstable();
        names.dedup();
        // Ends of the lanes in use.
        let mut taken: Vec<Vec<(f64, f64)>> = vec![Vec::new(); 3];
        for name in names {
            let at: Vec<f64> = labels.iter().filter(|(label, _)| *label == name).map(|(_, y)| *y).collect();
            let (Some(first), Some(last)) = (at.first().copied(), at.last().copied()) else { continue };
            if at.len() < 2 {
                continue;
            }
            let free = |lane: &Vec<(f64, f64)>| lane.iter().all(|(from, to)| last < *from || *to < first);
            // Without a free lane the notes alone say which wires meet.
            let Some(lane) = taken.iter().position(free) else { continue };
            taken[lane].push((first, last));
            #[expect(clippy::cast_precision_loss, reason = "three lanes")]
            let x = LANES + LANE * lane as f64;
            let page = self.page();
            page.line([x, first, x, last], 0.6, false);
            for y in at {
                page.line([AMPLIFIER + AMPLIFIER_WIDTH, y, x, y], 0.3, false);
                page.dot(x, y);
            }
        }
    }

    /// What the signs mean.
    fn legend(&mut self) {
        // It takes the key's place: it says the same and more.
        self.room_for(30.0 - KEY);
        let top = self.y;
        legend(self.page(), top);
        if let Some(signs) = self.signs.last_mut() {
            signs.legend = true;
        }
        self.y = top + 30.0;
    }
}

/// Baseline of a line in a column of lines about a middle.
fn baseline(middle: f64, size: f64, number: f64, count: f64) -> f64 {
    middle + LEADING * (number - (count - 1.0) / 2.0) + 0.34 * size
}

fn column(page: &mut Drawing, x: f64, middle: f64, size: f64, bold: bool, anchor: Anchor, lines: &[String]) {
    for (number, line) in lines.iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "a few lines")]
        let y = baseline(middle, size, number as f64, lines.len() as f64);
        page.letters(x, y, size, bold, anchor, line);
    }
}
