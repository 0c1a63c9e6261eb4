//! Cautions: shown before anything moves, printed in every report of motion.

use crate::sheet::{AxisSheet, BrakeDriver, Mounting};

/// What every bench needs.
const ALWAYS: &[&str] = &[
    "The shaft will turn. Guard it, or take everything off it; take the key out or hold it captive.",
    "Clamp the motor. Nothing is held by hand while it turns.",
    "A separate emergency stop that cuts the supply must be within reach. The fixture's own stop opens the enable \
     contact and takes the command to 0 V; that is not removal of power (stop categories: IEC 60204-1).",
    "Before touching terminals: supply off, and wait the discharge time on the amplifier's label.",
    "Earth, supply and protection as the amplifier's maker says. Local codes and the maker's instructions come before \
     anything said here; licensed work is for licensed persons.",
    "The fixture is a bench instrument, not a safety component. Keep away from the shaft until standstill has been \
     measured and shown.",
];

/// The cautions of an axis.
#[must_use]
pub fn cautions(sheet: &AxisSheet) -> Vec<String> {
    let mut all: Vec<String> = ALWAYS.iter().map(|&c| c.to_owned()).collect();
    if sheet.bench.control_power_separable {
        all.push(
            "The shaft is turned by hand only when asked for: motor power off and its discharge time waited, control \
             power on, enable open."
                .to_owned(),
        );
    }
    if sheet.disc.is_some() {
        all.push(
            "The disc on the shaft must be balanced, keyed or clamped for the highest speed, and guarded."
                .to_owned(),
        );
    }
    if sheet.enable.first_may_move.get() > 0.0 {
        all.push(format!(
            "The first enable after power-up may move the shaft by up to {:.0}°.",
            sheet.enable.first_may_move.get()
        ));
    }
    if sheet.enable.brake != BrakeDriver::None {
        all.push(
            "The brake must be released by its own driver before motion; the fixture only listens."
                .to_owned(),
        );
    }
    if sheet.bench.mounting != Mounting::FreeShaft {
        all.push("The shaft is coupled or carries a load: uncouple it for the acceptance.".to_owned());
    }
    all
}
