//! Whatever a record holds, the estimates answer or refuse; they never stop the program.

use proofstand_protocol::message::{Event, Sample};
use proofstand_protocol::units::{Counts, Micros, Microvolts};
use proofstand_units::{CountsPerRev, Rpm, Seconds};
use proptest::prelude::*;

use super::reversal::{ReversalWindow, reversal};
use super::{Shape, acceleration, flags, lines, readout, ripple, speed, track};

fn any_sample() -> impl Strategy<Value = Sample> {
    let position = prop_oneof![any::<i64>(), -5000_i64..5000];
    let at = prop_oneof![any::<u64>(), 0_u64..100_000];
    (at, position, any::<i32>(), any::<u8>(), 0_u8..3).prop_map(|(at, position, volts, flags, segment)| {
        Sample {
            at: Micros(at),
            position: Counts(position),
            command: Microvolts(volts % 2),
            readback: Microvolts(volts),
            torque: Microvolts(volts),
            flags,
            segment,
            ..Sample::default()
        }
    })
}

/// Half of the records in the order of time, so that more than the first check is met.
fn any_record() -> impl Strategy<Value = Vec<Sample>> {
    (prop::collection::vec(any_sample(), 0..60), any::<bool>()).prop_map(|(mut samples, ordered)| {
        if ordered {
            samples.sort_by_key(|s| (s.at, s.segment));
        }
        samples
    })
}

proptest! {
    #[test]
    fn no_record_stops_an_estimate(
        samples in any_record(),
        per_rev in prop_oneof![any::<u32>(), Just(4000)],
        level in -3000.0..3000.0_f64,
        width in 0_usize..20,
        indexes in prop::collection::vec((any::<u64>(), any::<i64>()), 0..10),
    ) {
        let cpr = CountsPerRev::new(per_rev);
        let rpm = Rpm::new(level);
        let mean = speed::speed(&samples, cpr);
        // Enough samples in order are never refused.
        let ordered = samples.windows(2).all(|p| p[0].at < p[1].at);
        prop_assert_eq!(mean.is_ok(), ordered && samples.len() >= 3 && per_rev > 0, "{:?}", mean);
        let _ = acceleration::acceleration(&samples, cpr, Shape::Cubic);
        let _ = acceleration::acceleration_at_speed(&samples, cpr, Shape::Quadratic, rpm);
        let _ = speed::local_speeds(&samples, cpr, width, width);
        let _ = speed::first_crossing(&samples, cpr, rpm, width);
        let _ = ripple::ripple(&samples, cpr, width);
        let _ = ripple::overshoot(&samples, cpr, rpm, width);
        let settle = Seconds::from_millis(level / 100.0);
        let window = ReversalWindow { low: Rpm::ZERO, high: rpm, settle, shape: Shape::Cubic, smoothing: width };
        let _ = reversal(&samples, cpr, &window);
        let events: Vec<(Micros, Event)> =
            indexes.iter().map(|(at, p)| (Micros(*at), Event::Index { position: Counts(*p) })).collect();
        let count = lines::line_count(&lines::passes(&events, &samples), cpr);
        prop_assert!(count.intervals.len() < events.len().max(1));
        let _ = readout::mean(&samples, readout::Channel::Torque);
        let _ = flags::edges_from_samples(&samples, 7);
        let _ = track::between(&samples, Micros(10), Micros(per_rev.into()));
        let runs: usize = track::segments(&samples).iter().map(|run| run.samples.len()).sum();
        prop_assert_eq!(runs, samples.len());
    }
}
