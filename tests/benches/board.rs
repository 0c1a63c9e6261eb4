//! Prints the board's numbers, measured on the emulated image.

use std::process::ExitCode;

use proofstand_protocol::message::BurstKind;
use proofstand_tests::bench::Failure;
use proofstand_tests::emulator::measure::{Lines, asleep, burst, count, flag_error, sheet, timing};
use proofstand_tests::emulator::rig::{CAUSES, Rig, provoke};
use proofstand_tests::emulator::{Axis, EmulatedFixture, image};
use serde_json::json;

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("board: {error}");
            ExitCode::FAILURE
        }
    }
}

fn row(what: &str, value: &str, limit: &str) {
    println!("{what:<58} {value:>24}   {limit}");
}

fn run() -> Result<(), Failure> {
    println!(
        "Emulated RP2040 at 125 MHz: PIO and timers exact to the cycle; times of code are comparisons only"
    );
    println!("(no flash cache misses, no bus contention).\n");
    counting()?;
    latency()?;
    streams()?;
    trips()?;
    sizes()
}

fn counting() -> Result<(), Failure> {
    row("counting", "lost of edges", "wanted");
    for (spacing, edges) in
        [(10_000.0, 20_000), (1_000.0, 200_000), (100.0, 400_000), (80.0, 500_000), (72.0, 200_000)]
    {
        let per_turn = ((5e6 / spacing) as u32).max(40) / 4 * 4;
        let counted = count(Lines { per_turn, ..Lines::even(spacing) }, edges, None)?;
        let value = format!("{} of {}", counted.lost(), counted.edges);
        let wanted = if spacing < 80.0 { "-" } else { "0" };
        row(&format!("  edges {spacing} ns apart, even"), &value, wanted);
        let [latched, wrong, missed] = counted.latches;
        let wanted = if spacing < 80.0 { "-" } else { "0, 0" };
        row("    index: latched; wrong, missed", &format!("{latched}; {wrong}, {missed}"), wanted);
    }
    let counted =
        count(Lines { reverse_every: 49_999, per_turn: 50_000, ..Lines::worst(107.0) }, 400_000, None)?;
    let what = format!("  phase, duty, division errors; closest {:.1} ns", counted.closest);
    row(&what, &format!("{} of {}", counted.lost(), counted.edges), "0");
    let counted = count(Lines { per_turn: 50_000, ..Lines::even(60.0) }, 200_000, None)?;
    let value = format!("{} of {}, {} reported", counted.lost(), counted.edges, counted.illegal);
    row("  edges 60 ns apart: too fast", &value, "reported");
    Ok(())
}

fn latency() -> Result<(), Failure> {
    let timing = timing(2_000)?;
    row("\ntime", "", "");
    row("  tick's sample, largest deviation", &format!("{:?}", timing.tick_jitter), "1 µs");
    row("  sample to command's frame, shortest", &format!("{:?}", timing.frame.0), "");
    row("  sample to command's frame, longest", &format!("{:?}", timing.frame.1), "1 µs more");
    row("  reply, longest, while turning and streaming", &format!("{:?}", timing.reply), "2 ms");
    row("  flag edge's time, largest error", &format!("{:?}", flag_error(24)?), "1 µs");
    row("  asleep when idle", &format!("{:.0} %", 100.0 * asleep()?), "");
    Ok(())
}

fn streams() -> Result<(), Failure> {
    row("\nstream at 1 kHz, full samples", "", "");
    let lines = Lines { per_turn: 5_000, ..Lines::even(1_000.0) };
    let counted = count(lines, 2_000_000, None)?;
    let [samples, dropped, gaps] = counted.samples;
    let value = format!("{} of {samples}", dropped + gaps);
    row("  samples lost while counting 1 000 000 edges/s", &value, "0");
    row("  bytes a second", &format!("{:.0}", counted.bytes_per_second), "");
    // USB full speed takes 0.67 µs a byte; the cable is made slower until samples are lost.
    let mut highest = 0.0;
    for nanos in [670.0, 2_000.0, 5_000.0, 10_000.0, 15_000.0, 20_000.0, 25_000.0, 30_000.0] {
        let counted = count(Lines::even(100_000.0), 5_000, Some(nanos))?;
        if counted.samples[1] + counted.samples[2] > 0 {
            break;
        }
        highest = nanos;
    }
    let share = 100.0 * 670.0 / highest;
    row("  slowest cable that loses none, bytes a second", &format!("{:.0}", 1e9 / highest), "");
    row("    as a share of USB full speed", &format!("{share:.1} %"), "");
    for (kind, name, period, points) in [
        (BurstKind::Position, "positions", 10, 1_000),
        (BurstKind::ReadOuts, "read-outs", 40, 1_000),
        (BurstKind::Lines, "lines", 10, 4_000),
    ] {
        let read = burst(Some(Lines::even(10_000.0)), kind, period, points)?;
        let value = format!("{} points in {:?}", points, read.took);
        row(&format!("  burst of {name} every {period} µs beside it"), &value, "none lost");
    }
    Ok(())
}

fn trips() -> Result<(), Failure> {
    row("\ntrip: from the sample that shows it", "enable / command", "1 ms");
    let mut rig = Rig::new(EmulatedFixture::start(Axis::read(&sheet(), &[], 1)?)?)?;
    for cause in CAUSES {
        let tripped = provoke(&mut rig, cause)?;
        let value = format!("{:.0?} / {:.0?}", tripped.enable, tripped.command);
        row(&format!("  {:?}", tripped.trip.cause), &value, "");
        rig.recover()?;
    }
    let stack = rig.board(|board| board.tell(&json!({"order": "stack"})))?;
    row("\nmemory", "", "");
    row("  stack used of what there is", &format!("{} of {} bytes", stack["used"], stack["bytes"]), "");
    Ok(())
}

fn sizes() -> Result<(), Failure> {
    use object::{Object as _, ObjectSection as _};
    let bytes = std::fs::read(image()?)?;
    let elf = object::File::parse(&*bytes)?;
    let size = |names: &[&str]| -> u64 {
        names.iter().filter_map(|name| elf.section_by_name(name)).map(|section| section.size()).sum()
    };
    let flash = size(&[".boot2", ".vector_table", ".text", ".rodata", ".data"]);
    row("  flash", &format!("{flash} bytes"), "65 536");
    row("  static RAM", &format!("{} bytes", size(&[".data", ".bss", ".uninit"])), "49 152");
    Ok(())
}
