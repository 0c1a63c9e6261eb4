//! Pulses, counts, rates, and the shortest time between two edges.

use proofstand_units::{CountsPerRev, Degrees, Hertz, NativePerRev, PulsesPerRev, Rpm, Seconds};
use serde::Serialize;

use crate::sheet::AxisSheet;

/// Native positions to one count, `d = R/(4N)`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Division {
    /// Native positions in a revolution, R.
    #[serde(rename = "native_positions_per_revolution")]
    pub native: NativePerRev,
    /// Counts in a revolution, 4N.
    #[serde(rename = "counts_per_revolution")]
    pub counts: CountsPerRev,
}

impl Division {
    /// Native positions to one count; at least 1.
    #[must_use]
    pub fn get(self) -> f64 {
        f64::from(self.native.get()) / f64::from(self.counts.get())
    }

    /// Every count takes the same number of native positions.
    #[must_use]
    pub const fn is_whole(self) -> bool {
        self.native.get().is_multiple_of(self.counts.get())
    }

    /// The narrowest count as a share of a revolution: a count that divides unevenly is made of either floor(d) or
    /// floor(d) + 1 native positions.
    #[must_use]
    pub fn narrowest_share_of_turn(self) -> f64 {
        f64::from(self.native.get() / self.counts.get()) / f64::from(self.native.get())
    }

    /// The narrowest count in electrical degrees (360 to the pulse): 90 for a whole division.
    #[must_use]
    pub fn narrowest_phase(self) -> Degrees {
        Degrees::new(90.0 * self.narrowest_share_of_turn() * f64::from(self.counts.get()))
    }
}

/// A speed at which rates are given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// At the speed cap.
    Cap,
    /// At the fixture's trip speed.
    Trip,
    /// At the highest mechanical speed.
    Maximum,
}

impl Place {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Cap => "cap",
            Self::Trip => "trip speed",
            Self::Maximum => "highest mechanical speed",
        }
    }
}

/// Rates at one speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct EncoderRate {
    /// Which speed.
    pub place: Place,
    /// The speed.
    #[serde(rename = "rpm")]
    pub speed: Rpm,
    /// Cycles of phase A per second, `N·n/60`.
    #[serde(rename = "pulses_hertz")]
    pub pulses: Hertz,
    /// Counts per second, `4N·n/60`.
    #[serde(rename = "counts_hertz")]
    pub counts: Hertz,
    /// Between two edges of A and B if all were alike, `60/(4N·n)`.
    #[serde(rename = "ideal_edge_seconds")]
    pub ideal_edge: Seconds,
    /// Between the two nearest edges: the division's narrowest count less the phase error allowed for.
    #[serde(rename = "shortest_edge_seconds")]
    pub shortest_edge: Seconds,
}

/// Pulses, counts, rates and edges.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EncoderTargets {
    /// Pulses (cycles of phase A) per revolution, N.
    #[serde(rename = "pulses_per_revolution")]
    pub pulses: PulsesPerRev,
    /// Counts per revolution, 4N: exact for any division.
    #[serde(rename = "counts_per_revolution")]
    pub counts: CountsPerRev,
    /// Native positions to one count.
    pub division: Division,
    /// Shaft angle of one count, `360/(4N)`.
    #[serde(rename = "degrees_per_count")]
    pub per_count: Degrees,
    /// Narrowest count less the phase error allowed for, electrical degrees.
    #[serde(rename = "narrowest_electrical_degrees")]
    pub narrowest_phase: Degrees,
    /// At cap, trip speed and highest mechanical speed.
    pub rates: Vec<EncoderRate>,
}

impl EncoderTargets {
    pub(super) fn compute(sheet: &AxisSheet, trip: Rpm) -> Self {
        let pulses = sheet.encoder.pulses;
        let counts = pulses.to_counts();
        let division = Division { native: sheet.encoder.native, counts };
        let narrowest = division.narrowest_phase() - sheet.encoder.phase_error.value;
        // A phase error larger than the narrowest count lets edges meet.
        let narrowest_phase = narrowest.max(Degrees::ZERO);
        let at = |(place, speed)| rate(place, speed, pulses, narrowest_phase);
        Self {
            pulses,
            counts,
            division,
            per_count: Degrees::new(360.0 / f64::from(counts.get())),
            narrowest_phase,
            rates: [
                (Place::Cap, sheet.cap.speed),
                (Place::Trip, trip),
                (Place::Maximum, sheet.maximum_speed()),
            ]
            .map(at)
            .to_vec(),
        }
    }
}

/// Rates of one speed; `narrowest` is the electrical angle between the nearest edges.
pub(super) fn rate(place: Place, speed: Rpm, pulses: PulsesPerRev, narrowest: Degrees) -> EncoderRate {
    let turns_per_second = speed.get() / 60.0;
    let pulse_rate = f64::from(pulses.get()) * turns_per_second;
    EncoderRate {
        place,
        speed,
        pulses: Hertz::new(pulse_rate),
        counts: Hertz::new(4.0 * pulse_rate),
        ideal_edge: Seconds::new(0.25 / pulse_rate),
        shortest_edge: Seconds::new(narrowest.get() / 360.0 / pulse_rate),
    }
}
