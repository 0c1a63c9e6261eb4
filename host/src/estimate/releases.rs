//! Several releases of one shaft as one: when torque goes in the mean, and what slows the shaft then.

use proofstand_units::{RadPerSec2, Seconds};

use super::release::{Moment, Release};
use crate::metrology::DegreesOfFreedom;

/// The means over the releases of which the moment could be made out; none where it could of none.
///
/// The uncertainty of a mean is what the fits say together, or the scatter over the releases where that is more (type A;
/// JCGM 100:2008, 4.2): the moment that an amplifier takes torque away may differ a little each time.
#[must_use]
pub fn together(releases: &[Release]) -> Option<(Moment, Option<Drag>)> {
    let moments: Vec<Moment> = releases.iter().filter_map(|r| r.moment).collect();
    let delay =
        mean(moments.iter().map(|m| (m.delay.get(), m.standard_uncertainty.get(), m.degrees_of_freedom)))?;
    let change = moments.iter().map(|m| m.change.get()).sum::<f64>() / moments.len() as f64;
    let drag = mean(releases.iter().filter_map(|r| {
        let ((drag, u), moment) = (r.added_drag?, r.moment?);
        Some((drag.get(), u.get(), moment.degrees_of_freedom))
    }));
    let moment = Moment {
        delay: Seconds::new(delay.value),
        change: RadPerSec2::new(change),
        standard_uncertainty: Seconds::new(delay.u),
        degrees_of_freedom: delay.degrees_of_freedom,
    };
    let drag = drag.map(|drag| Drag {
        added: RadPerSec2::new(drag.value),
        standard_uncertainty: RadPerSec2::new(drag.u),
        degrees_of_freedom: drag.degrees_of_freedom,
    });
    Some((moment, drag))
}

/// What slows the shaft without torque beyond what slowed it before; negative: it is slowed more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drag {
    /// The acceleration.
    pub added: RadPerSec2,
    /// Its standard uncertainty.
    pub standard_uncertainty: RadPerSec2,
    /// The degrees of freedom of that.
    pub degrees_of_freedom: DegreesOfFreedom,
}

struct Mean {
    value: f64,
    u: f64,
    degrees_of_freedom: DegreesOfFreedom,
}

fn mean(parts: impl Iterator<Item = (f64, f64, DegreesOfFreedom)>) -> Option<Mean> {
    let parts: Vec<_> = parts.collect();
    let n = parts.len() as f64;
    if parts.is_empty() {
        return None;
    }
    let value = parts.iter().map(|p| p.0).sum::<f64>() / n;
    let fits = parts.iter().map(|p| p.1 * p.1).sum::<f64>().sqrt() / n;
    let squares: f64 = parts.iter().map(|p| (p.0 - value).powi(2)).sum();
    let scatter = if parts.len() > 1 { (squares / (n - 1.0) / n).sqrt() } else { 0.0 };
    Some(if scatter > fits {
        Mean { value, u: scatter, degrees_of_freedom: DegreesOfFreedom::of_fit(parts.len(), 1) }
    } else {
        let degrees_of_freedom = DegreesOfFreedom::of_sum(parts.iter().map(|p| (p.1, p.2)));
        Mean { value, u: fits, degrees_of_freedom }
    })
}

#[cfg(test)]
mod tests {
    use super::super::release::After;
    use super::*;
    use proofstand_protocol::units::Micros;

    fn one(delay: f64, u: f64, drag: f64) -> Release {
        let nu = DegreesOfFreedom::new(4.0).unwrap();
        Release {
            before: 0.01,
            before_degrees_of_freedom: nu,
            after: After::Stands(Micros(0)),
            moment: Some(Moment {
                delay: Seconds::from_millis(delay),
                change: RadPerSec2::new(100.0 * delay),
                standard_uncertainty: Seconds::from_millis(u),
                degrees_of_freedom: nu,
            }),
            added_drag: Some((RadPerSec2::new(drag), RadPerSec2::new(2.0))),
        }
    }

    #[test]
    fn one_release_by_itself_is_what_it_is() {
        let (moment, drag) = together(&[one(3.0, 6.0, -5.0)]).unwrap();
        assert!((moment.delay.to_millis() - 3.0).abs() < 1e-12);
        assert!((moment.standard_uncertainty.to_millis() - 6.0).abs() < 1e-12);
        assert!((moment.degrees_of_freedom.finite().unwrap() - 4.0).abs() < 1e-9);
        assert!((drag.unwrap().added.get() + 5.0).abs() < 1e-12);
        assert_eq!(together(&[Release { moment: None, ..one(3.0, 6.0, 0.0) }]), None);
    }

    /// Worked by hand.
    #[test]
    fn fits_of_four_releases_halve_the_uncertainty_and_scatter_beyond_them_counts_instead() {
        // Scatter 2/√3·½ = 0.58 ms of the mean, fits 6/2 = 3 ms with 4·4 degrees of freedom.
        let four = [one(1.0, 6.0, 1.0), one(3.0, 6.0, 3.0), one(1.0, 6.0, 1.0), one(3.0, 6.0, 3.0)];
        let (moment, drag) = together(&four).unwrap();
        assert!((moment.delay.to_millis() - 2.0).abs() < 1e-12);
        assert!((moment.standard_uncertainty.to_millis() - 3.0).abs() < 1e-12);
        assert!((moment.degrees_of_freedom.finite().unwrap() - 16.0).abs() < 1e-9);
        assert!((moment.change.get() - 200.0).abs() < 1e-9);
        assert!((drag.unwrap().standard_uncertainty.get() - 1.0).abs() < 1e-12);
        // Fits of 0.1 ms explain no scatter of 1 ms.
        let sharp = four.map(|r| Release {
            moment: r.moment.map(|m| Moment { standard_uncertainty: Seconds::from_millis(0.1), ..m }),
            ..r
        });
        let (moment, _) = together(&sharp).unwrap();
        assert!((moment.standard_uncertainty.to_millis() - 1.0 / 3.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!(moment.degrees_of_freedom.finite(), Some(3.0));
    }
}
