//! Prints the board's numbers, measured on the emulated image, and fails if one of them is not what it must be.

use core::time::Duration;
use std::process::ExitCode;

use proofstand_protocol::message::{BurstKind, TripCause};
use proofstand_tests::bench::Failure;
use proofstand_tests::emulator::measure::{Lines, asleep, burst, count, flag_error, sheet, timing};
use proofstand_tests::emulator::provoke::{CAUSES, provoke, stop_counter};
use proofstand_tests::emulator::replies::{REQUESTS, replies};
use proofstand_tests::emulator::rig::{Rig, Tripped};
use proofstand_tests::emulator::{Axis, EmulatedFixture, image};
use serde_json::json;

const TICK: Duration = Duration::from_millis(1);
const MICROSECOND: Duration = Duration::from_micros(1);
/// Ceilings that this project set itself (`tests/image.rs` says the same).
const FLASH_MAX: u64 = 64 * 1_024;
const STATIC_RAM_MAX: u64 = 48 * 1_024;
/// USB full speed takes 0.67 µs a byte: 12 Mbit/s (Universal Serial Bus Specification 2.0, 7.1.11), stuffing not counted.
const FULL_SPEED_NANOS: f64 = 670.0;
/// Requests that take longer than the others, and how long they may.
const LONG: [(&str, &str, Duration); 3] = [
    ("repeat events", "up to 64 are made", Duration::from_millis(4)),
    ("self-check", "settles for five ticks", Duration::from_millis(8)),
    ("commit calibration", "erases and writes flash", Duration::from_millis(500)),
];

fn main() -> ExitCode {
    let mut table = Table::default();
    if let Err(error) = run(&mut table) {
        eprintln!("board: {error}");
        return ExitCode::FAILURE;
    }
    if table.beyond == 0 {
        return ExitCode::SUCCESS;
    }
    eprintln!("board: {} of these numbers are not what they must be", table.beyond);
    ExitCode::FAILURE
}

/// What was printed, and how many numbers of it are not what they must be.
#[derive(Default)]
struct Table {
    beyond: u32,
}

impl Table {
    fn head(&self, what: &str, value: &str, wanted: &str) {
        println!("\n{what:<58} {value:>24}   {wanted}");
    }

    /// A number without a limit.
    fn row(&self, what: &str, value: &str) {
        println!("  {what:<56} {value:>24}");
    }

    /// A number that must be what `wanted` says.
    fn held(&mut self, what: &str, value: &str, wanted: &str, holds: bool) {
        self.beyond += u32::from(!holds);
        let mark = if holds { "" } else { "   NOT HELD" };
        println!("  {what:<56} {value:>24}   {wanted}{mark}");
    }
}

fn run(table: &mut Table) -> Result<(), Failure> {
    println!(
        "Emulated RP2040 at 125 MHz: PIO and timers exact to the cycle; times of code are comparisons only"
    );
    println!("(no flash cache misses, no bus contention).");
    counting(table)?;
    latency(table)?;
    streams(table)?;
    trips(table)?;
    sizes(table)
}

fn counting(table: &mut Table) -> Result<(), Failure> {
    table.head("counting", "lost of edges", "wanted");
    for (spacing, edges) in
        [(10_000.0, 20_000), (1_000.0, 200_000), (100.0, 400_000), (80.0, 500_000), (72.0, 200_000)]
    {
        let per_turn = ((5e6 / spacing) as u32).max(40) / 4 * 4;
        let counted = count(Lines { per_turn, ..Lines::even(spacing) }, edges, None)?;
        let lost = format!("{} of {}", counted.lost(), counted.edges);
        let [latched, wrong, missed] = counted.latches;
        let index = format!("{latched}; {wrong}, {missed}");
        let (of_edges, of_index) =
            (format!("edges {spacing} ns apart, even"), "  index: latched; wrong, missed");
        if spacing < 80.0 {
            table.row(&of_edges, &lost);
            table.row(of_index, &index);
        } else {
            table.held(&of_edges, &lost, "0", counted.lost() == 0 && counted.illegal == 0);
            table.held(of_index, &index, "0, 0", latched > 0 && wrong + missed == 0);
        }
    }
    let lines = Lines { reverse_every: 49_999, per_turn: 50_000, ..Lines::worst(107.0) };
    let counted = count(lines, 400_000, None)?;
    let what = format!("phase, duty, division errors; closest {:.1} ns", counted.closest);
    let lost = format!("{} of {}", counted.lost(), counted.edges);
    table.held(&what, &lost, "0", counted.lost() == 0 && counted.closest < 82.0);
    let counted = count(Lines { per_turn: 50_000, ..Lines::even(60.0) }, 200_000, None)?;
    let value = format!("{} of {}, {} reported", counted.lost(), counted.edges, counted.illegal);
    table.held("edges 60 ns apart: too fast", &value, "reported", counted.illegal > 0);
    Ok(())
}

fn latency(table: &mut Table) -> Result<(), Failure> {
    let timing = timing(2_000)?;
    let time = |time: Duration| format!("{time:?}");
    table.head("time", "", "");
    let jitter = timing.tick_jitter;
    table.held("tick's sample, largest deviation", &time(jitter), "1 µs", jitter <= MICROSECOND);
    let decision = timing.decision;
    table.held("sample to decision, longest", &time(decision), "375 µs", decision.as_micros() <= 375);
    let (shortest, longest) = timing.frame;
    table.row("sample to command's frame, shortest", &time(shortest));
    let constant = longest - shortest <= MICROSECOND;
    table.held("sample to command's frame, longest", &time(longest), "1 µs more", constant);
    let replies = replies()?;
    let mut quick = replies.iter().filter(|(request, _)| !LONG.iter().any(|(long, ..)| long == *request));
    let longest = quick.by_ref().max_by_key(|(_, took)| **took).ok_or("no request was answered")?;
    let what = format!("reply, longest of {} requests: {}", replies.len() - LONG.len(), longest.0);
    let holds = replies.len() == REQUESTS && *longest.1 <= 2 * TICK;
    table.held(&what, &time(*longest.1), "2 ms", holds);
    for (request, why, most) in LONG {
        let took = replies.get(request).copied().unwrap_or(Duration::MAX);
        table.held(&format!("reply to {request}: {why}"), &time(took), &format!("{most:?}"), took <= most);
    }
    let flag = flag_error(24)?;
    table.held("flag edge's time, largest error", &time(flag), "1 µs", flag <= MICROSECOND);
    let asleep = asleep()?;
    table.held("asleep when idle", &format!("{:.0} %", 100.0 * asleep), "50 % at least", asleep > 0.5);
    Ok(())
}

fn streams(table: &mut Table) -> Result<(), Failure> {
    table.head("stream at 1 kHz, full samples", "", "");
    let lines = Lines { per_turn: 5_000, ..Lines::even(1_000.0) };
    let counted = count(lines, 2_000_000, None)?;
    let [samples, dropped, gaps] = counted.samples;
    let value = format!("{} of {samples}", dropped + gaps);
    table.held("samples lost beside 1 000 000 edges/s (10 s in the tests)", &value, "0", dropped + gaps == 0);
    table.row("bytes a second", &format!("{:.0}", counted.bytes_per_second));
    // The cable is made slower until samples are lost.
    let mut highest = 0.0;
    for nanos in [FULL_SPEED_NANOS, 2_000.0, 5_000.0, 10_000.0, 15_000.0, 20_000.0, 25_000.0, 30_000.0] {
        let counted = count(Lines::even(100_000.0), 5_000, Some(nanos))?;
        if counted.samples[1] + counted.samples[2] > 0 {
            break;
        }
        highest = nanos;
    }
    let value = format!("{:.0}", 1e9 / highest);
    table.held("slowest cable that loses none, bytes a second", &value, "full speed", highest > 0.0);
    table.row("  as a share of USB full speed", &format!("{:.1} %", 100.0 * FULL_SPEED_NANOS / highest));
    for (kind, name, period, points) in [
        (BurstKind::Position, "positions", 10, 1_000),
        (BurstKind::ReadOuts, "read-outs", 40, 1_000),
        (BurstKind::Lines, "lines", 10, 4_000),
    ] {
        // A sample that is lost meanwhile is an error of it.
        let read = burst(Some(Lines::even(10_000.0)), kind, period, points)?;
        // Lines are handed over when the last is there, 64 points at a time; the others meanwhile.
        let more = if kind == BurstKind::Lines { 40 } else { 20 };
        let value = format!("{points} points in {:?}", read.took);
        let most = Duration::from_micros(u64::from(period) * u64::from(points)) + more * TICK;
        let what = format!("burst of {name} every {period} µs beside it");
        table.held(&what, &value, &format!("{more} ms more at most"), read.took <= most);
        if kind == BurstKind::ReadOuts {
            let (rate, gap) = (read.rate(), read.longest_gap());
            let whole = read.conversions.len() == usize::from(points);
            let value = format!("{rate:.0}");
            table.held(
                "  points a second, by the converter's frames",
                &value,
                "20 000",
                whole && rate > 20e3,
            );
            table.row("  longest time between two of them", &format!("{gap:?}"));
        }
    }
    Ok(())
}

fn trips(table: &mut Table) -> Result<(), Failure> {
    table.head("trip: from the sample that shows it", "enable / command", "1 ms");
    let mut rig = Rig::new(EmulatedFixture::start(Axis::read(&sheet(), &[], 1)?)?)?;
    for cause in CAUSES {
        let tripped = provoke(&mut rig, cause)?;
        trip(table, cause, &tripped);
        rig.recover()?;
    }
    let stack = rig.board(|board| board.tell(&json!({"order": "stack"})))?;
    let stopped = stop_counter(rig)?;
    trip(table, TripCause::FirmwareFault, &stopped.tripped);
    let found = stopped.found;
    table.held("  a counter that stops: found after", &format!("{found:.0?}"), "5 ms", found <= 5 * TICK);
    table.head("memory", "", "");
    let (used, bytes) = (stack["used"].as_u64().unwrap_or(u64::MAX), stack["bytes"].as_u64().unwrap_or(0));
    let value = format!("{used} of {bytes} bytes");
    table.held("stack used of what there is (painted)", &value, "half at most", used <= bytes / 2);
    Ok(())
}

fn trip(table: &mut Table, cause: TripCause, tripped: &Tripped) {
    let enable = tripped.enable.map_or("open before".to_owned(), |after| format!("{after:.0?}"));
    let value = format!("{enable} / {:.0?}", tripped.command);
    let safe = tripped.volts.iter().all(|volts| volts.abs() < 0.002);
    let in_time = tripped.enable.is_none_or(|after| after < TICK) && tripped.command < TICK;
    table.held(&format!("{cause:?}"), &value, "", tripped.trip.cause == cause && safe && in_time);
}

fn sizes(table: &mut Table) -> Result<(), Failure> {
    use object::{Object as _, ObjectSection as _, ObjectSymbol as _};
    let bytes = std::fs::read(image()?)?;
    let elf = object::File::parse(&*bytes)?;
    let size = |names: &[&str]| -> u64 {
        names.iter().filter_map(|name| elf.section_by_name(name)).map(|section| section.size()).sum()
    };
    let flash = size(&[".boot2", ".vector_table", ".text", ".rodata", ".data"]);
    table.held("flash", &format!("{flash} bytes"), "65 536", flash <= FLASH_MAX);
    let ram = size(&[".data", ".bss", ".uninit"]);
    table.held("static RAM", &format!("{ram} bytes"), "49 152", ram <= STATIC_RAM_MAX);
    let allocates = |name: &str| name.contains("__rust_alloc") || name.contains("__rg_alloc");
    let heap = elf.symbols().filter(|symbol| symbol.name().is_ok_and(allocates)).count();
    table.held("heap", if heap == 0 { "none" } else { "there is one" }, "none", heap == 0);
    Ok(())
}
