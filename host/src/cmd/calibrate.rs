//! `calibrate`: the fixture's command and inputs against a reference meter.

use std::cell::RefCell;
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use proofstand_protocol::message::{Sample, State};
use proofstand_protocol::version::Capabilities;
use proofstand_units::{Celsius, PartsPerMillion, Volts};

use super::person::{Keyboard, tell};
use super::typed_meter::TypedMeter;
use super::{show, stop};
use crate::acceptance::{now, stamp, today};
use crate::calibration::assumed::TEMPERATURE;
use crate::calibration::conduct::{nothing_but_the_plug, store};
use crate::calibration::reading::Reading;
use crate::calibration::record::{Previous, Stored};
use crate::calibration::{
    Accuracy, Asked, CalibrateError, CalibrationRecord, Given, Job, Made, ReferenceMeter, ScpiMeter, Watcher,
};
use crate::exit::Exit;
use crate::fixture::{Client, Numbered, Tap, serial_in_words, trip_in_words};
use crate::link::Link;
use crate::link::serial::SerialLink;
use crate::rehearsal::{Before, FixtureEnd, METER_STATED, MeterBench, MeterEnd, MeterFault};
use crate::report::certificate;
use crate::terminal::{Stream, width, wrapped};

const EXAMPLES: &str = "\
Examples:
  proofstand calibrate --rehearse
      The whole of it without hardware: simulated board, simulated meter. The certificate says REHEARSAL.

  proofstand calibrate --port /dev/ttyACM0 --meter-port /dev/ttyUSB0 \\
      --meter-accuracy 35+5 --temperature 23.1 --operator Kim
      Against a meter that speaks SCPI over a serial port: 17 levels up and down, each read four times.

  proofstand calibrate --port /dev/ttyACM0 --meter 'Example DMM, no. 0042' \\
      --meter-accuracy 35+5 --temperature 23.1
      Against a meter that you read and type: 50 readings.

  proofstand calibrate --port /dev/ttyACM0 --meter-port /dev/ttyUSB0 \\
      --meter-accuracy 35+5 --temperature 23.1 --look
      Only looks whether the calibration in the fixture still holds, and whether it is this board's.

Until the last step nothing in the fixture is changed; Ctrl-C, a pulled plug or a kill leaves the old calibration.

Exit code 0: calibrated; with --look: the calibration found holds. 1 with --look: it does not, or is another \
board's. 3 with --look: there is none. 2 bad input. 4 stopped: fixture, meter, or a reading that can't be.";

/// What is shown before a level is put out.
const CAUTIONS: &[&str] = &[
    "Unplug the amplifier's command and encoder cables. Only the calibration plug and the meter may be on the fixture \
     (hardware/CALIBRATION.md): its command terminals go to ±10 V.",
    "The enable contact stays open, and a level is refused while any encoder pair is driven. An amplifier whose supply is \
     off, or whose encoder cable alone is unplugged, can't be told from none.",
    "Meter on direct voltage, range 10 V or more; its low terminal on the command's 0 V and on nothing else.",
    "Fixture and meter switched on for half an hour, in a room of 18 °C to 28 °C without draught.",
    "Stop button released, hold-to-run held or bridged by the plug: they end a level at once.",
];

/// Calibrate the fixture's command and inputs against a reference meter
///
/// Cautions first. Then levels up and down between ±10 V; gain, offset and non-linearity; a table where it is worth one;
/// the result measured between the points before it is stored. Leaves a folder with the record, a certificate (as found,
/// as left) and the calibration that was there before.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Cmd {
    /// The fixture's port; `proofstand ports` lists them
    #[arg(long, value_name = "PORT", required_unless_present_any = ["rehearse", "schema"], conflicts_with = "rehearse")]
    port: Option<String>,
    /// Without hardware: a simulated board and a simulated meter
    #[arg(long)]
    rehearse: bool,
    /// The port of a meter that speaks SCPI; without it a person reads the meter and types
    #[arg(long, value_name = "PORT", conflicts_with = "rehearse")]
    meter_port: Option<String>,
    /// Baud rate of the meter's port
    #[arg(long, value_name = "BAUD", default_value_t = 9600)]
    meter_baud: u32,
    /// Maker, model and serial number of the meter; one that speaks SCPI says so itself
    #[arg(long, value_name = "NAME")]
    meter: Option<String>,
    /// Stated accuracy of the meter in its 10 V range: ppm of reading + ppm of range, as half-widths
    #[arg(long, value_name = "PPM+PPM", value_parser = accuracy, required_unless_present_any = ["rehearse", "schema"])]
    meter_accuracy: Option<(PartsPerMillion, PartsPerMillion)>,
    /// The meter's last digit in that range, in microvolts
    #[arg(long, value_name = "MICROVOLTS", default_value = "10", value_parser = digit)]
    meter_digit: Volts,
    /// The meter's own calibration, in your words (certificate, laboratory, date): printed as entered, nothing more
    #[arg(long, value_name = "TEXT")]
    meter_calibration: Option<String>,
    /// Temperature at the fixture's analog board, °C
    #[arg(long, value_name = "CELSIUS", value_parser = temperature, required_unless_present_any = ["rehearse", "schema"])]
    temperature: Option<Celsius>,
    /// Who does it
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Levels of the table: 17, 25 or 33
    #[arg(long, value_name = "LEVELS", default_value_t = 17, value_parser = points)]
    points: usize,
    /// Readings of each level and direction, by SCPI
    #[arg(long, value_name = "NUMBER", default_value_t = 4, value_parser = clap::value_parser!(u8).range(1..=50))]
    readings: u8,
    /// Only look whether the calibration in the fixture holds; change nothing
    #[arg(long)]
    look: bool,
    /// The cautions have been read and are kept: nobody has to answer
    #[arg(long)]
    cautions_kept: bool,
    /// Folder in which the calibration's own folder is made
    #[arg(long, value_name = "FOLDER", default_value = "calibrations")]
    folder: PathBuf,
    /// Rehearsal: seed of board and meter
    #[arg(long, value_name = "NUMBER", default_value_t = 1, requires = "rehearse")]
    seed: u64,
    /// Rehearsal: what the fixture is found with: own, nothing, others
    #[arg(long, value_name = "WHAT", default_value = "own", requires = "rehearse", value_parser = before)]
    found: Before,
    /// Rehearsal: something wrong with the meter: silent, stuck, garbage, escape, overload, reversed, refuses, held, cold
    #[arg(long, value_name = "FAULT", requires = "rehearse", value_parser = meter_fault)]
    meter_fault: Option<MeterFault>,
    /// Print the JSON Schema of calibration.json and do nothing else
    #[arg(long)]
    schema: bool,
}

fn accuracy(text: &str) -> Result<(PartsPerMillion, PartsPerMillion), String> {
    let wrong = || "ppm of reading + ppm of range, such as 35+5".to_owned();
    let (reading, range) = text.split_once('+').ok_or_else(wrong)?;
    let number = |t: &str| t.trim().parse::<f64>().ok().filter(|n| (0.0..=10_000.0).contains(n));
    match (number(reading), number(range)) {
        (Some(reading), Some(range)) if reading + range > 0.0 => {
            Ok((PartsPerMillion::new(reading), PartsPerMillion::new(range)))
        }
        _ => Err(wrong()),
    }
}

fn digit(text: &str) -> Result<Volts, String> {
    // A coarser meter can't show what a millivolt is about.
    let digit = text.parse::<f64>().ok().filter(|d| *d > 0.0 && *d <= 200.0);
    digit.map(|d| Volts::new(d * 1e-6)).ok_or_else(|| {
        "between 0 and 200 microvolts: a coarser meter can't calibrate to a millivolt".to_owned()
    })
}

fn temperature(text: &str) -> Result<Celsius, String> {
    let (middle, range) = TEMPERATURE;
    let given = text.parse().ok().map(Celsius::new).filter(|t| t.away_from(middle) <= range);
    given.ok_or_else(|| {
        let (middle, range) = (middle.get(), range.get());
        format!("a calibration is made at {middle} ± {range} °C: what it states holds there and nowhere else")
    })
}

fn points(text: &str) -> Result<usize, String> {
    match text {
        "17" | "25" | "33" => Ok(text.parse().unwrap_or(17)),
        _ => Err("17, 25 or 33".to_owned()),
    }
}

fn before(text: &str) -> Result<Before, String> {
    match text {
        "own" => Ok(Before::Own),
        "nothing" => Ok(Before::Nothing),
        "others" => Ok(Before::Others),
        _ => Err("own, nothing or others".to_owned()),
    }
}

fn meter_fault(text: &str) -> Result<MeterFault, String> {
    MeterFault::parse(text).ok_or_else(|| MeterFault::ALL.map(|(name, _)| name).join(", "))
}

type Failed = (Exit, String);

fn bad(message: &dyn std::fmt::Display) -> Failed {
    (Exit::BadInput, message.to_string())
}

fn stopped(message: &dyn std::fmt::Display) -> Failed {
    (Exit::Stopped, message.to_string())
}

impl Cmd {
    /// Runs it.
    #[must_use]
    pub fn run(self) -> Exit {
        if self.schema {
            show::out(&CalibrationRecord::json_schema());
            return Exit::Accepted;
        }
        self.calibrate().unwrap_or_else(|(exit, message)| {
            let mark = if self.rehearse { "REHEARSAL: " } else { "" };
            let mut lead = format!("{mark}proofstand: ");
            for line in message.lines() {
                tell(&wrapped(&lead, line, width(Stream::Err)), true);
                lead.clear();
                lead.push_str(mark);
            }
            exit
        })
    }

    fn calibrate(&self) -> Result<Exit, Failed> {
        let stop = stop::asked().map_err(|e| stopped(&format!("can't watch for Ctrl-C: {e}")))?;
        if self.rehearse {
            return self.rehearsed(stop);
        }
        let port = self.port.as_deref().unwrap_or_default();
        if !self.cautions_kept && !std::io::stdin().is_terminal() {
            return Err(bad(
                &"a person has to answer, and standard input is no terminal; with --cautions-kept and --meter-port nobody has to",
            ));
        }
        if self.meter_port.is_none() && self.meter.is_none() {
            return Err(bad(
                &"which meter is it? --meter 'maker, model, serial number', or --meter-port PORT for one that speaks SCPI",
            ));
        }
        let link = SerialLink::open(port).map_err(|e| stopped(&e))?;
        let mut client = Client::connect(link, &mut Unkept).map_err(|e| stopped(&e))?;
        client.interrupt_on(Arc::clone(&stop));
        ready(&mut client)?;
        let keyboard = Keyboard::new(Arc::clone(&stop));
        self.acknowledged(&keyboard)?;
        match &self.meter_port {
            Some(port) => {
                let link = SerialLink::open_at(port, self.meter_baud)
                    .map_err(|e| stopped(&format!("the meter's port: {e}")))?;
                let wait = &mut || asked_to_stop(&stop);
                let mut meter =
                    ScpiMeter::connect(link, usize::from(self.readings), wait).map_err(|e| stopped(&e))?;
                let name = named(&meter, self.meter.as_deref());
                self.made(&mut client, &mut meter, name, "read by SCPI")
            }
            None => {
                let name = self.meter.clone().unwrap_or_default();
                self.made(&mut client, &mut TypedMeter::new(&keyboard), name, "read and typed by a person")
            }
        }
    }

    fn rehearsed(&self, stop: Arc<AtomicBool>) -> Result<Exit, Failed> {
        let bench = MeterBench::new(self.seed, today(), self.found, self.meter_fault, None);
        let bench = Rc::new(RefCell::new(bench));
        let link = FixtureEnd(Rc::clone(&bench));
        let mut client = Client::connect(link, &mut Unkept).map_err(|e| stopped(&e))?;
        client.interrupt_on(stop);
        for caution in CAUTIONS {
            tell(&wrapped("  ! ", caution, width(Stream::Err)), true);
        }
        let wait = &mut || {
            bench.borrow_mut().tick();
            Ok(())
        };
        let mut meter =
            ScpiMeter::connect(MeterEnd::new(Rc::clone(&bench)), usize::from(self.readings), wait)
                .map_err(|e| stopped(&e))?;
        let name = named(&meter, None);
        self.made(&mut client, &mut meter, name, "read by SCPI")
    }

    fn acknowledged(&self, keyboard: &Keyboard) -> Result<(), Failed> {
        tell("Before a level is put out:", true);
        for caution in CAUTIONS {
            tell(&wrapped("  ! ", caution, width(Stream::Err)), true);
        }
        let kept = self.cautions_kept
            || keyboard
                .ask_until("Type \"kept\" if all of this is so; s stops:", "\"kept\" or s.", |line| {
                    line.eq_ignore_ascii_case("kept").then_some(())
                })
                .is_some();
        if kept { Ok(()) } else { Err(stopped(&"stopped before anything was put out")) }
    }

    fn given(&self, meter: String, read: &str) -> Given {
        let (reading, range) = self.meter_accuracy.unwrap_or(METER_STATED);
        Given {
            operator: self.operator.clone(),
            temperature: self.temperature.unwrap_or(TEMPERATURE.0),
            meter,
            read: read.to_owned(),
            accuracy: Accuracy {
                of_reading_ppm: reading,
                of_range_ppm: range,
                range: Volts::new(10.0),
                resolution: self.meter_digit,
            },
            traceability: self.meter_calibration.clone(),
            points: self.points,
            look_only: self.look,
        }
    }

    /// The calibration itself, its files, and the fixture last.
    fn made<L: Link>(
        &self,
        client: &mut Client<L>,
        meter: &mut dyn ReferenceMeter,
        name: String,
        read: &str,
    ) -> Result<Exit, Failed> {
        let simulated = client.hello().simulated;
        let word = if simulated { "-rehearsal" } else { "" };
        let name_of = format!("{}{word}-{}", serial_in_words(&client.hello().analog_serial), stamp());
        let (id, folder) = fresh(&self.folder, &name_of)
            .map_err(|why| bad(&format!("can't make a folder in {}: {why}", self.folder.display())))?;
        let job = Job { given: self.given(name, read), id, today: today(), started: now() };
        let mut watcher = Watch::new(&folder, simulated).map_err(|e| stopped(&e))?;
        let Made { mut record, image } = job.measure(client, meter, &mut watcher).map_err(|e| {
            stopped(&format!(
                "{e}\nNothing in the fixture was changed. The readings until then: {}",
                folder.join(READINGS).display()
            ))
        })?;
        let file = |e: CalibrateError| stopped(&e);
        keep(&folder, &record).map_err(file)?;
        if let Some(image) = &image {
            store(client, image).map_err(|e| {
                stopped(&format!(
                    "{e}\nSee {}, and `proofstand ports` for what the fixture has",
                    folder.display()
                ))
            })?;
            record.stored = Stored::InFixture;
            keep(&folder, &record).map_err(file)?;
        }
        show::out(&summary(&record));
        show::out(&format!("Certificate: {}\n", folder.join(CERTIFICATE).display()));
        Ok(exit(&record))
    }
}

const READINGS: &str = "readings.jsonl";
const RECORD: &str = "calibration.json";
const CERTIFICATE: &str = "certificate.html";

/// A folder that was not there before, with its name.
pub(super) fn fresh(parent: &Path, name: &str) -> std::io::Result<(String, PathBuf)> {
    std::fs::create_dir_all(parent)?;
    let mut number = 1;
    loop {
        let id = if number == 1 { name.to_owned() } else { format!("{name}-{number}") };
        match std::fs::create_dir(parent.join(&id)) {
            Ok(()) => return Ok((id.clone(), parent.join(id))),
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists && number < 100 => number += 1,
            Err(error) => return Err(error),
        }
    }
}

fn named<L: Link>(meter: &ScpiMeter<L>, given: Option<&str>) -> String {
    let [maker, model, serial, _] = meter.identity();
    let own = format!("{maker} {model}, no. {serial}");
    given.map_or(own.clone(), |given| format!("{given} (says itself: {own})"))
}

fn asked_to_stop(stop: &AtomicBool) -> Result<(), CalibrateError> {
    if stop.load(core::sync::atomic::Ordering::Relaxed) { Err(CalibrateError::Stopped) } else { Ok(()) }
}

/// Refuses a fixture that can't be calibrated, is tripped, or has an amplifier on it.
fn ready<L: Link>(client: &mut Client<L>) -> Result<(), Failed> {
    let needed = Capabilities::METER_LEVELS.union(Capabilities::CALIBRATION_STORE);
    if !client.agreement().capabilities.contains(needed) {
        return Err(stopped(&"this fixture's firmware has no levels for a meter: update it first"));
    }
    let latched = client.last_status().filter(|s| s.state == State::Tripped).and_then(|s| s.trip);
    if let Some(trip) = latched {
        let why = trip_in_words(&trip);
        return Err(stopped(&format!(
            "the fixture is tripped: {why}. Find the cause; switching the fixture off does not clear it, an acceptance \
             asks whether to"
        )));
    }
    nothing_but_the_plug(client).map_err(|e| stopped(&e))
}

/// What was in the fixture before, as a file of its own.
#[derive(serde::Serialize)]
struct Marked<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    rehearsal: Option<&'static str>,
    #[serde(flatten)]
    previous: &'a Previous,
}

/// The record, the certificate, and what was there before.
fn keep(folder: &Path, record: &CalibrationRecord) -> Result<(), CalibrateError> {
    let json = |what: serde_json::Result<String>| what.map_err(|e| std::io::Error::other(e.to_string()));
    let file = |name: &str, text: std::io::Result<String>| {
        text.and_then(|text| crate::record::put(folder, name, text.as_bytes()))
            .map_err(|why| CalibrateError::File { path: folder.join(name).display().to_string(), why })
    };
    if let Some(previous) = &record.previous {
        let marked = Marked { rehearsal: record.is_rehearsal().then_some("REHEARSAL"), previous };
        file("previous.json", json(serde_json::to_string_pretty(&marked)))?;
    }
    file(RECORD, json(record.to_json()))?;
    file(CERTIFICATE, Ok(certificate(record)))
}

fn exit(record: &CalibrationRecord) -> Exit {
    match (record.stored, record.as_found.holds, &record.as_found.foreign) {
        (Stored::LookedAt, _, Some(_)) | (Stored::LookedAt, Some(false), None) => Exit::Rejected,
        (Stored::LookedAt, None, None) => Exit::Undecided,
        _ => Exit::Accepted,
    }
}

fn summary(record: &CalibrationRecord) -> String {
    let mark = if record.is_rehearsal() { "REHEARSAL: " } else { "" };
    let mut out = String::new();
    let mut line = |text: &str| {
        out.push_str(&show::wrapped(mark, text));
        out.push('\n');
    };
    line(&record.as_found.words);
    if let Some(foreign) = &record.as_found.foreign {
        line(foreign);
    }
    line(&format!("Largest error as found: {:+.2} mV.", record.as_found.worst.get() * 1e3));
    line(&format!(
        "Bare board: offset {:+.2} mV, gain {:+.0} ppm, non-linearity {:.2} steps (best fit), {:.2} steps (end points).",
        record.line.offset.get() * 1e3,
        (record.line.gain - 1.0) * 1e6,
        record.best_fit.worst,
        record.end_points.worst
    ));
    if record.stored == Stored::LookedAt {
        line("Only looked at: the fixture keeps what it had.");
        return out;
    }
    line(&record.choice.why);
    let left = record.as_left.iter().map(|l| l.error.abs().get()).fold(0.0, f64::max);
    line(&format!("As left, between the points: {:.2} mV at most, by the same meter.", left * 1e3));
    let [zero, top, due] = record.expanded.map(|u| u.get() * 1e3);
    let [from, to] = record.temperature_range.map(Celsius::get);
    line(&format!(
        "Command at the terminals, k = 2, {from:.0} to {to:.0} °C: ±{zero:.2} mV at 0 V and ±{top:.2} mV at 10 V today, \
         ±{due:.2} mV at 10 V on the due date, {}.",
        record.due
    ));
    line("Stored in the fixture and read back.");
    out
}

/// Shows and keeps each reading as it comes.
struct Watch {
    file: std::fs::File,
    path: String,
    rehearsal: bool,
}

impl Watch {
    fn new(folder: &Path, rehearsal: bool) -> Result<Self, CalibrateError> {
        let path = folder.join(READINGS);
        let shown = path.display().to_string();
        let file =
            std::fs::File::create(&path).map_err(|why| CalibrateError::File { path: shown.clone(), why })?;
        Ok(Self { file, path: shown, rehearsal })
    }
}

impl Watcher for Watch {
    fn read(&mut self, asked: &Asked, reading: &Reading) -> Result<(), CalibrateError> {
        let mut line = serde_json::json!({ "nominal": asked.level, "reading": reading });
        if let (true, Some(object)) = (self.rehearsal, line.as_object_mut()) {
            object.insert("kind".to_owned(), "REHEARSAL".into());
        }
        writeln!(self.file, "{line}").map_err(|why| CalibrateError::File { path: self.path.clone(), why })?;
        let mark = if self.rehearsal { "REHEARSAL " } else { "" };
        let (what, level) = asked.wanted.map_or(("level", asked.level), |wanted| ("as left", wanted));
        let (level, meter) = (level.get(), reading.meter.get());
        tell(
            &format!(
                "{mark}{what} {:2} of {}: {level:+9.4} V, meter {meter:+9.5} V ({:+.2} mV)",
                asked.number,
                asked.of,
                (meter - level) * 1e3
            ),
            true,
        );
        Ok(())
    }
}

/// A greeting's samples and events: not a calibration's evidence.
struct Unkept;

impl Tap for Unkept {
    fn samples(&mut self, _dropped: u32, _samples: &[Sample]) -> std::io::Result<()> {
        Ok(())
    }

    fn event(&mut self, _event: &Numbered) -> std::io::Result<()> {
        Ok(())
    }
}
