//! What a run with enable opened under command says.

use proofstand_protocol::message::State;
use proofstand_units::{Percent, Rpm, Seconds};

use super::released::{FOLLOWS, Released, came_to_rest, released, sooner_than_by_friction};
use super::{HIGH_RPM, LOW_RPM, WAYS, Way};
use crate::checks::enable_rest::{CONTACT_OPENED, HALF_TICK, enable_lane, off};
use crate::checks::rows::Row;
use crate::checks::traces::{lane, quiet_plot};
use crate::checks::{Context, Judgement, StepEnding, StepEvidence, worst};
use crate::estimate::release::{After, Release};
use crate::estimate::releases::together;
use crate::fixture::trip_in_words;
use crate::metrology::{Budget, Contribution, Limits};
use crate::record::model::{Mark, Plot, ResultRow, Verdict};
use crate::sheet::{BrakeDriver, FlagRole, Stop};

/// Of a coasting shaft the drag may change by this much when torque goes: the amplifier's own drag and offset (common
/// practice, no source). A brake adds more, also at a slow speed. Percent of rated torque.
const COASTING: Percent = Percent::new(0.8);
/// Of cogging's half-period, which one window sees: half-width in percent of rated torque (common practice, no source).
const COGGING: Percent = Percent::new(0.3);
/// Cogging moves the moment by its share of the change of acceleration, over the time that the motions take to differ
/// (from simulated shafts).
const TO_DIFFER: Seconds = Seconds::new(0.04);

pub(super) fn judge(context: &Context<'_>, evidence: &[StepEvidence]) -> Judgement {
    let mut out = Judgement::default();
    let mut deciding = Vec::new();
    for way in &WAYS {
        let made = way.made(evidence);
        if made.is_empty() {
            continue;
        }
        let mut rows = Vec::new();
        run(context, way.name(), &made, &mut rows);
        deciding.extend(rows.clone());
        if made.iter().all(|e| e.trip().is_none()) {
            extras(context, way, &made, &mut rows);
        }
        out.results.extend(rows);
        out.plots.extend(made.iter().enumerate().filter_map(|(n, made)| picture(context, way, n, made)));
    }
    if deciding.is_empty() {
        return out;
    }
    let both = WAYS.iter().all(|way| !way.made(evidence).is_empty());
    let row = Row::text(
        "enable-off-turning.gate",
        "Opening enable takes the torque away, both ways and in time",
        "yes",
    );
    out.results.push(match worst(&deciding) {
        Verdict::Accepted if both => row.is("yes", Verdict::Accepted, "full levels are allowed"),
        Verdict::Accepted | Verdict::NotDone => {
            row.is("one way only", Verdict::Undecided, "no full level may be commanded")
        }
        other => row.is("not shown", other, "no full level may be commanded"),
    });
    out
}

/// One opening's record; `n` counts from 0.
fn picture(context: &Context<'_>, way: &Way, n: usize, made: &StepEvidence) -> Option<Plot> {
    let (name, signed) = (way.name(), |rpm: f64| rpm * way.sign * context.count_sign());
    let turns = context.way(Rpm::new(signed(1.0)));
    let lanes = enable_lane(made)
        .into_iter()
        .chain(context.sheet.flags.iter().filter_map(|flag| lane(flag, made)))
        .collect();
    let (id, title) = match n {
        0 => (String::new(), String::new()),
        n => (format!("-{}", n + 1), format!(", time {}", n + 1)),
    };
    let mut plot = quiet_plot(
        &format!("enable-off-turning-{name}{id}"),
        &format!("Enable opened while turning {turns}{title}"),
        "Speed over time, asked to go up and down; enable is opened and the command goes on for a moment. Without torque \
         the speed no longer follows.",
        made,
        lanes,
    )?;
    if let Some(panel) = plot.panels.first_mut() {
        panel.marks = [LOW_RPM, HIGH_RPM]
            .map(|rpm| Mark { name: format!("{rpm:.0} rpm asked for"), y: signed(rpm) })
            .to_vec();
    }
    Some(plot)
}

/// Of rows that ask the same of several records, the worst; the first among equals.
fn worst_row(rows: Vec<ResultRow>) -> Option<ResultRow> {
    let verdict = worst(&rows);
    let first = rows.first().cloned();
    rows.into_iter().find(|row| row.verdict == verdict).or(first)
}

/// Whether torque goes, and when.
fn run(context: &Context<'_>, name: &str, made: &[&StepEvidence], rows: &mut Vec<ResultRow>) {
    let row = || {
        Row::number(
            &format!("enable-off-turning.{name}.follows"),
            &format!("How the shaft follows the command with enable open, {name}"),
            "%",
        )
        .target(0.0)
        .limits(&Limits::AtMost(FOLLOWS))
    };
    if let Some((made, trip)) = made.iter().find_map(|made| made.trip().map(|trip| (made, trip))) {
        let opened = made.samples.iter().any(|s| s.state == State::Opened);
        rows.push(row().without(
            Verdict::Rejected,
            &if opened {
                format!("enable was open, and then: {}", trip_in_words(trip))
            } else {
                format!("tripped before enable was opened: {}", trip_in_words(trip))
            },
        ));
        return;
    }
    if made.iter().any(|made| matches!(made.ending, StepEnding::TimedOut { .. })) {
        rows.push(row().without(Verdict::Undecided, "enable was not opened in time"));
        return;
    }
    let released = match released(context, made) {
        Ok(found) => found,
        Err(why) => {
            rows.push(row().without(Verdict::Undecided, &why));
            return;
        }
    };
    rows.extend(worst_row(released.iter().map(|one| follows(context, one, row())).collect()));
    let limits = Limits::AtMost(context.sheet.tolerances.enable_off.value);
    let row = Row::number(
        &format!("enable-off-turning.{name}.delay"),
        &format!("From enable open to torque gone, {name}"),
        "ms",
    )
    .limits(&limits);
    let measured = delay(context, &released);
    let told_by_flag = measured.as_ref().zip(released.first()).and_then(|(found, first)| {
        by_flag(context, name, first.made, (&first.release, &found.combined().expanded))
    });
    if let Some(told) = told_by_flag {
        rows.push(told);
        return;
    }
    rows.push(match measured {
        Some(measured) => braked(context, &released, row.judged(&measured, &limits, context.by())),
        None if rows.last().is_some_and(|r| r.verdict == Verdict::Accepted) => {
            row.without(Verdict::Undecided, "the moment can't be made out of the record")
        }
        None => row.without(Verdict::Rejected, "the shaft went on following the command"),
    });
}

/// Whether a shaft that was released goes on following.
fn follows(context: &Context<'_>, one: &Released<'_>, row: Row) -> ResultRow {
    let release = &one.release;
    match release.after {
        After::Stands(_) if !torque_went_first(context, one) => row.without(
            Verdict::Undecided,
            "it stands, and the holding brake alone could do that with torque still on: a flag of torque on would tell",
        ),
        After::Stands(_) => row
            .measured(0.0)
            .verdict(Verdict::Accepted, "it stands although something is commanded: there is no torque"),
        After::Follows(share, u, nu) => {
            let share_percent = Percent::new(share * 100.0);
            let measured = Budget::new(share_percent)
                .with(Contribution::type_a("fit with enable open", Percent::new(u * 100.0), nu))
                .with(Contribution::type_a(
                    "fit before",
                    Percent::new(release.before * share.abs() * 100.0),
                    release.before_degrees_of_freedom,
                ));
            row.judged(&measured, &Limits::AtMost(FOLLOWS), context.by())
        }
    }
}

/// Whether torque went and it is not well known when: U takes more than half of what is allowed. When it went does
/// not count, only how well that is known: to go on until a result suits would favour it.
pub(super) fn unsure(context: &Context<'_>, made: &[&StepEvidence]) -> bool {
    if made.is_empty() || made.iter().any(|made| made.trip().is_some()) {
        return false;
    }
    let Ok(released) = released(context, made) else { return false };
    released.iter().all(|one| !one.follows())
        && delay(context, &released)
            .is_none_or(|found| found.combined().expanded * 2.0 > context.sheet.tolerances.enable_off.value)
}

/// A holding brake stops a shaft before its motion tells when torque went. Where that leaves the moment so unsure that half of
/// what is allowed is lost, the flag of torque on tells it, by which it is also known that torque went at all.
fn by_flag(
    context: &Context<'_>,
    name: &str,
    made: &StepEvidence,
    (release, expanded): (&Release, &Seconds),
) -> Option<ResultRow> {
    let unsure = *expanded * 2.0 >= context.sheet.tolerances.enable_off.value;
    let braked = context.sheet.enable.brake != BrakeDriver::None && matches!(release.after, After::Stands(_));
    let flag = context.sheet.flag(FlagRole::TorqueOn).filter(|_| unsure && braked)?;
    let mut rows = Vec::new();
    off(context, flag, "enable-off-turning", name, made, &mut rows);
    let mut row = rows.pop().filter(|row| row.measured.is_some())?;
    row.id = format!("enable-off-turning.{name}.delay");
    row.name = format!("From enable open to torque gone, {name}");
    row.sentence += "; by the amplifier's own flag of torque on, since the holding brake stops the shaft before its motion tells";
    Some(row)
}

/// What would decide it, where the brake leaves it undecided.
fn braked(context: &Context<'_>, released: &[Released<'_>], mut row: ResultRow) -> ResultRow {
    let braked =
        context.sheet.enable.brake != BrakeDriver::None && released.iter().any(|one| one.stood().is_some());
    if braked && row.verdict == Verdict::Undecided {
        row.sentence += "; the holding brake stops the shaft before its motion tells when torque went: a flag of torque on would";
    }
    row
}

/// Whether it is known of a shaft that stands that torque went, not only that a holding brake closed.
fn torque_went_first(context: &Context<'_>, one: &Released<'_>) -> bool {
    let Released { made, release, .. } = one;
    if context.sheet.enable.brake == BrakeDriver::None {
        return true;
    }
    if let Some(flag) = context.sheet.flag(FlagRole::TorqueOn) {
        let mut rows = Vec::new();
        off(context, flag, "enable-off-turning", "", made, &mut rows);
        return rows.iter().all(|row| row.verdict == Verdict::Accepted);
    }
    // Without a flag: what went must be no more than was commanded, and it went before the shaft stood. A brake takes
    // more than rated torque, so that its moment looks otherwise.
    let (Some(moment), true) = (&release.moment, context.sheet.command.pair.is_torque()) else {
        return false;
    };
    let Some(stood) = one.stood() else { return false };
    let axis = &context.motion.axis;
    let bound = context.motion.hold.bound_at(Rpm::new(HIGH_RPM)).get() * axis.gain.get() * BOTH_SIGNS;
    let changed = moment.change.get() * axis.inertia.get() / axis.rated_torque.get() * 100.0;
    changed <= bound && moment.delay + moment.standard_uncertainty * 3.0 < stood
}

/// The hold's command may have been at either of its ends.
const BOTH_SIGNS: f64 = 2.0;

/// The moment that torque went: by the fits, or between the opening and standstill where that tells more.
fn delay(context: &Context<'_>, released: &[Released<'_>]) -> Option<Budget<Seconds>> {
    let contact = Contribution::rectangular(CONTACT_OPENED, HALF_TICK);
    let axis = &context.motion.axis;
    let cogging = axis.torque_at(COGGING).get() / axis.inertia.get();
    let all: Vec<Release> = released.iter().map(|one| one.release).collect();
    let fitted = together(&all).map(|(m, _)| (m, TO_DIFFER * (cogging / m.change.get().max(1e-9)).min(1.0)));
    // A shaft that stands has lost its torque before. Where it stood each time, the latest is taken.
    let stood: Vec<Seconds> = released.iter().filter_map(Released::stood).collect();
    if let Some(latest) = stood.iter().copied().reduce(Seconds::max).filter(|_| stood.len() == released.len())
    {
        let half = latest * 0.5;
        let sharper = |u: Seconds, moved: Seconds| half.get() / 3.0_f64.sqrt() < u.get().hypot(moved.get());
        if fitted.is_none_or(|(m, moved)| sharper(m.standard_uncertainty, moved)) {
            let named = Contribution::rectangular("some time before standstill", half);
            return Some(Budget::new(half).with(named).with(contact));
        }
    }
    let (fitted, moved) = fitted?;
    Some(
        Budget::new(fitted.delay)
            .with(Contribution::type_a(
                "moment of the change of acceleration",
                fitted.standard_uncertainty,
                fitted.degrees_of_freedom,
            ))
            .with(Contribution::rectangular("cogging beside that change", moved))
            .with(contact),
    )
}

/// Flags, and coasting or braking.
fn extras(context: &Context<'_>, way: &Way, made: &[&StepEvidence], rows: &mut Vec<ResultRow>) {
    let name = way.name();
    if let Some(flag) = context.sheet.flag(FlagRole::TorqueOn) {
        let each = made.iter().flat_map(|made| {
            let mut rows = Vec::new();
            off(context, flag, "enable-off-turning", name, made, &mut rows);
            rows
        });
        rows.extend(worst_row(each.collect()));
    }
    let Ok(released) = released(context, made) else { return };
    let Some(first) = released.first() else { return };
    if rows.first().is_some_and(|r| r.verdict != Verdict::Accepted) {
        return;
    }
    if context.sheet.enable.brake == BrakeDriver::None {
        rows.push(slowed(context, way, &released, first));
    } else {
        rows.push(brake_closes(context, name, first));
    }
}

/// What slows the shaft beyond what slowed it before, as a share of rated torque.
fn slowed(context: &Context<'_>, way: &Way, released: &[Released<'_>], first: &Released<'_>) -> ResultRow {
    let name = way.name();
    let axis = &context.motion.axis;
    let stop = context.sheet.enable.off;
    // Under a torque command friction is known from before; an amplifier that holds a speed keeps it to itself.
    let friction = if context.sheet.command.pair.is_torque() { Percent::ZERO } else { axis.breakaway };
    let limits = match stop {
        Stop::Coast => Limits::AtMost(COASTING + friction),
        Stop::Brake => Limits::AtLeast(COASTING + friction),
    };
    let sooner = sooner_than_by_friction(context, first);
    let row = Row::number(
        &format!("enable-off-turning.{name}.drag"),
        &match stop {
            Stop::Coast => format!("Drag added with enable open, {name}, of rated torque: it should coast"),
            Stop::Brake => {
                format!("Drag added with enable open, {name}, of rated torque: it should be braked")
            }
        },
        "%",
    )
    .limits(&limits);
    if let (Stop::Coast, Some(_), Some((took, by_friction))) = (stop, first.stood(), sooner) {
        return row.without(
            Verdict::Rejected,
            &format!(
                "it stands after {:.0} ms, and friction alone would take {:.0} ms at least: something brakes it",
                took * 1e3,
                by_friction * 1e3
            ),
        );
    }
    let all: Vec<Release> = released.iter().map(|one| one.release).collect();
    let Some(drag) = together(&all).and_then(|(_, drag)| drag) else {
        return row.without(Verdict::Undecided, "it comes to rest too soon to tell coasting from braking");
    };
    let percent = |a: f64| Percent::new(a * axis.inertia.get() / axis.rated_torque.get() * 100.0);
    // Counts and command have the direction's sign; a drag takes speed away whichever it is.
    let added = percent(-drag.added.get() * way.sign * context.count_sign());
    let inertia = context.sheet.inertia().relative().get() / 200.0;
    let measured = Budget::new(added)
        .with(Contribution::type_a(
            "fit of the acceleration",
            percent(drag.standard_uncertainty.get()),
            drag.degrees_of_freedom,
        ))
        .with(Contribution::normal("inertia", added.abs() * inertia))
        .with(Contribution::rectangular("cogging in one window", COGGING));
    row.judged(&measured, &limits, context.by())
}

/// A holding brake stops the shaft sooner than friction could.
fn brake_closes(context: &Context<'_>, name: &str, one: &Released<'_>) -> ResultRow {
    let row = Row::text(
        &format!("enable-off-turning.{name}.brake"),
        &format!("Holding brake with enable open, {name}"),
        "closes",
    );
    let Some((took, by_friction)) = came_to_rest(context, one) else {
        return row.without(Verdict::Undecided, "it stood before enable was opened");
    };
    let found = format!("at rest after {:.0} ms", took * 1e3);
    if took < by_friction {
        row.is(
            &found,
            Verdict::Accepted,
            &format!("friction alone would take {:.0} ms at least", by_friction * 1e3),
        )
    } else {
        row.is(
            &found,
            Verdict::Rejected,
            &format!("it coasted: friction alone takes {:.0} ms, or more", by_friction * 1e3),
        )
    }
}
