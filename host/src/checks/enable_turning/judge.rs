//! What a run with enable opened under command says.

use proofstand_protocol::message::{Sample, State};
use proofstand_protocol::units::Micros;
use proofstand_units::{Percent, Rpm, Seconds};

use super::{HIGH_RPM, LOW_RPM, RUNS, loop_at};
use crate::checks::enable_rest::{CONTACT_OPENED, HALF_TICK, contact_opened, enable_lane, off};
use crate::checks::rows::Row;
use crate::checks::traces::{lane, quiet_plot};
use crate::checks::{Context, Judgement, StepEnding, StepEvidence, worst};
use crate::estimate::release::{After, Follows, Question, Release, release};
use crate::fixture::trip_in_words;
use crate::metrology::{Budget, Contribution, Limits};
use crate::record::model::{Mark, ResultRow, Verdict};
use crate::sheet::{BrakeDriver, CommandPair, FlagRole, Stop};

/// A shaft that follows by more than this share of what it did is under torque; one without torque follows by nothing.
const FOLLOWS: Percent = Percent::new(50.0);
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
    for (name, sign) in RUNS {
        let Some(made) = evidence.iter().find(|e| e.name == name) else { continue };
        let mut rows = Vec::new();
        run(context, name, made, &mut rows);
        deciding.extend(rows.clone());
        if made.trip().is_none() {
            extras(context, name, made, &mut rows);
        }
        out.results.extend(rows);
        let way = context.way(Rpm::new(sign * context.count_sign()));
        let lanes = enable_lane(made)
            .into_iter()
            .chain(context.sheet.flags.iter().filter_map(|flag| lane(flag, made)))
            .collect();
        let plot = quiet_plot(
            &format!("enable-off-turning-{name}"),
            &format!("Enable opened while turning {way}"),
            "Speed over time, asked to go up and down; enable is opened and the command goes on for a moment. Without torque \
             the speed no longer follows.",
            made,
            lanes,
        );
        out.plots.extend(plot.map(|mut plot| {
            if let Some(panel) = plot.panels.first_mut() {
                let signed = |rpm: f64| rpm * sign * context.count_sign();
                panel.marks = [LOW_RPM, HIGH_RPM]
                    .map(|rpm| Mark { name: format!("{rpm:.0} rpm asked for"), y: signed(rpm) })
                    .to_vec();
            }
            plot
        }));
    }
    if deciding.is_empty() {
        return out;
    }
    let both = RUNS.iter().all(|(name, _)| evidence.iter().any(|e| e.name == *name));
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

/// Samples that may be missing: what is not there is not where it matters, with this few (common practice, no source).
const MOST_LOST: f64 = 0.05;

/// The result of a run's record, or the row that says why there is none.
fn released(context: &Context<'_>, made: &StepEvidence) -> Result<(Release, Micros), String> {
    let opened = contact_opened(made).ok_or("the enable contact was not seen to open")?;
    let share = f64::from(made.lost) / (made.samples.len() as f64 + f64::from(made.lost)).max(1.0);
    if share > MOST_LOST {
        return Err(format!(
            "the cable lost {:.0} % of the samples, too many to tell when torque went: look at cable and plug, test again",
            100.0 * share
        ));
    }
    // From the first time up on.
    let going = 1..=loop_at(context) + 1;
    let from = made.samples.iter().position(|s| going.contains(&s.segment));
    let kept = |s: &&Sample| s.state == State::Live || s.state == State::Opened;
    let samples: Vec<Sample> =
        made.samples.iter().skip(from.unwrap_or(usize::MAX)).take_while(kept).copied().collect();
    let to = samples.last().map(|s| s.at).ok_or("nothing was commanded")?;
    let limit = context.sheet.tolerances.enable_off.value;
    let after = |time: Seconds| Micros(opened.0.saturating_add((time.get() * 1e6) as u64));
    let question = Question {
        follows: match context.sheet.command.pair {
            CommandPair::Torque { .. } => Follows::Torque,
            CommandPair::Speed { .. } => Follows::Speed,
        },
        opened,
        gone_after: limit,
        to,
        // A holding brake closes some time after torque is gone and stops the shaft: that is another moment.
        moment_to: if context.sheet.enable.brake == BrakeDriver::None { to } else { after(limit) },
    };
    let release =
        release(&samples, context.motion.axis.counts_per_rev, &question).map_err(|e| e.to_string())?;
    Ok((release, opened))
}

/// Whether torque goes, and when.
fn run(context: &Context<'_>, name: &str, made: &StepEvidence, rows: &mut Vec<ResultRow>) {
    let limits = Limits::AtMost(FOLLOWS);
    let row = Row::number(
        &format!("enable-off-turning.{name}.follows"),
        &format!("How the shaft follows the command with enable open, {name}"),
        "%",
    )
    .target(0.0)
    .limits(&limits);
    if let Some(trip) = made.trip() {
        let opened = made.samples.iter().any(|s| s.state == State::Opened);
        rows.push(row.without(
            Verdict::Rejected,
            &if opened {
                format!("enable was open, and then: {}", trip_in_words(trip))
            } else {
                format!("tripped before enable was opened: {}", trip_in_words(trip))
            },
        ));
        return;
    }
    if let StepEnding::TimedOut { .. } = made.ending {
        rows.push(row.without(Verdict::Undecided, "enable was not opened in time"));
        return;
    }
    let (release, opened) = match released(context, made) {
        Ok(found) => found,
        Err(why) => {
            rows.push(row.without(Verdict::Undecided, &why));
            return;
        }
    };
    rows.push(match release.after {
        After::Stands(_) if !torque_went_first(context, made, &release, opened) => row.without(
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
            row.judged(&measured, &limits, context.by())
        }
    });
    let limits = Limits::AtMost(context.sheet.tolerances.enable_off.value);
    let row = Row::number(
        &format!("enable-off-turning.{name}.delay"),
        &format!("From enable open to torque gone, {name}"),
        "ms",
    )
    .limits(&limits);
    let measured = delay(context, &release, opened);
    let told_by_flag = measured
        .as_ref()
        .and_then(|found| by_flag(context, name, made, (&release, &found.combined().expanded)));
    if let Some(told) = told_by_flag {
        rows.push(told);
        return;
    }
    rows.push(match measured {
        Some(measured) => braked(context, &release, row.judged(&measured, &limits, context.by())),
        None if rows.last().is_some_and(|r| r.verdict == Verdict::Accepted) => {
            row.without(Verdict::Undecided, "the moment can't be made out of the record")
        }
        None => row.without(Verdict::Rejected, "the shaft went on following the command"),
    });
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
fn braked(context: &Context<'_>, release: &Release, mut row: ResultRow) -> ResultRow {
    let braked = context.sheet.enable.brake != BrakeDriver::None && matches!(release.after, After::Stands(_));
    if braked && row.verdict == Verdict::Undecided {
        row.sentence += "; the holding brake stops the shaft before its motion tells when torque went: a flag of torque on would";
    }
    row
}

/// Whether it is known of a shaft that stands that torque went, not only that a holding brake closed.
fn torque_went_first(context: &Context<'_>, made: &StepEvidence, release: &Release, opened: Micros) -> bool {
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
    let After::Stands(since) = release.after else { return false };
    let axis = &context.motion.axis;
    let bound = context.motion.hold.bound_at(Rpm::new(HIGH_RPM)).get() * axis.gain.get() * BOTH_SIGNS;
    let changed = moment.change.get() * axis.inertia.get() / axis.rated_torque.get() * 100.0;
    let stood = since.0.saturating_sub(opened.0) as f64 * 1e-6;
    changed <= bound && moment.delay.get() + 3.0 * moment.standard_uncertainty.get() < stood
}

/// The hold's command may have been at either of its ends.
const BOTH_SIGNS: f64 = 2.0;

/// The moment that torque went: by the fit, or between the opening and standstill where that tells more.
fn delay(context: &Context<'_>, release: &Release, opened: Micros) -> Option<Budget<Seconds>> {
    let contact = Contribution::rectangular(CONTACT_OPENED, HALF_TICK);
    let axis = &context.motion.axis;
    let cogging = axis.torque_at(COGGING).get() / axis.inertia.get();
    let fitted = release.moment.map(|m| (m, TO_DIFFER * (cogging / m.change.get().max(1e-9)).min(1.0)));
    if let After::Stands(since) = release.after {
        // A shaft that stands has lost its torque before.
        let half = Seconds::new(since.0.saturating_sub(opened.0) as f64 * 0.5e-6);
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
fn extras(context: &Context<'_>, name: &str, made: &StepEvidence, rows: &mut Vec<ResultRow>) {
    if let Some(flag) = context.sheet.flag(FlagRole::TorqueOn) {
        off(context, flag, "enable-off-turning", name, made, rows);
    }
    let Ok((release, opened)) = released(context, made) else { return };
    if rows.first().is_some_and(|r| r.verdict != Verdict::Accepted) {
        return;
    }
    if context.sheet.enable.brake == BrakeDriver::None {
        rows.push(slowed(context, name, made, (&release, opened)));
    } else {
        rows.push(brake_closes(context, name, made, opened));
    }
}

/// What slows the shaft beyond what slowed it before, as a share of rated torque.
fn slowed(
    context: &Context<'_>,
    name: &str,
    made: &StepEvidence,
    (release, opened): (&Release, Micros),
) -> ResultRow {
    let axis = &context.motion.axis;
    let stop = context.sheet.enable.off;
    // Under a torque command friction is known from before; an amplifier that holds a speed keeps it to itself.
    let friction = if context.sheet.command.pair.is_torque() { Percent::ZERO } else { axis.breakaway };
    let limits = match stop {
        Stop::Coast => Limits::AtMost(COASTING + friction),
        Stop::Brake => Limits::AtLeast(COASTING + friction),
    };
    let sooner = sooner_than_by_friction(context, made, opened);
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
    if let (Stop::Coast, After::Stands(_), Some((took, by_friction))) = (stop, release.after, sooner) {
        return row.without(
            Verdict::Rejected,
            &format!(
                "it stands after {:.0} ms, and friction alone would take {:.0} ms at least: something brakes it",
                took * 1e3,
                by_friction * 1e3
            ),
        );
    }
    let (Some((drag, u)), Some(moment)) = (release.added_drag, release.moment) else {
        return row.without(Verdict::Undecided, "it comes to rest too soon to tell coasting from braking");
    };
    let percent = |a: f64| Percent::new(a * axis.inertia.get() / axis.rated_torque.get() * 100.0);
    // Counts and command have the direction's sign; a drag takes speed away whichever it is.
    let way = if name == RUNS[0].0 { 1.0 } else { -1.0 } * context.count_sign();
    let added = percent(-drag.get() * way);
    let inertia = context.sheet.inertia().relative().get() / 200.0;
    let measured = Budget::new(added)
        .with(Contribution::type_a("fit of the acceleration", percent(u.get()), moment.degrees_of_freedom))
        .with(Contribution::normal("inertia", added.abs() * inertia))
        .with(Contribution::rectangular("cogging in one window", COGGING));
    row.judged(&measured, &limits, context.by())
}

/// A holding brake stops the shaft sooner than friction could.
fn brake_closes(context: &Context<'_>, name: &str, made: &StepEvidence, opened: Micros) -> ResultRow {
    let row = Row::text(
        &format!("enable-off-turning.{name}.brake"),
        &format!("Holding brake with enable open, {name}"),
        "closes",
    );
    let Some((took, by_friction)) = came_to_rest(context, made, opened) else {
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

/// Time from the opening to rest, and what friction at its bound would take for it; none where it stood before.
fn came_to_rest(context: &Context<'_>, made: &StepEvidence, opened: Micros) -> Option<(f64, f64)> {
    let last = made.samples.last()?;
    let stood =
        made.samples.iter().rev().take_while(|s| (s.position.0 - last.position.0).abs() <= 1).last()?;
    let speed = made.samples.iter().rev().find(|s| s.at <= opened).map_or(0, |s| s.speed.0);
    let took = stood.at.0.saturating_sub(opened.0) as f64 * 1e-6;
    let axis = &context.motion.axis;
    // Friction at its bound, as soon as torque may be gone.
    let by_friction = Rpm::new(f64::from(speed.abs()) * 1e-3).to_rad_per_sec().get() * axis.inertia.get()
        / axis.friction().get();
    (speed != 0).then_some((took, by_friction))
}

/// Share of the time that friction at its bound takes. A shaft that obeys takes longer than that: its friction is below the
/// bound, and at the opening it is asked for more speed.
const SOONER: f64 = 0.7;

/// The same, where it came to rest well before that: until it is gone torque may brake too, but not so much.
fn sooner_than_by_friction(context: &Context<'_>, made: &StepEvidence, opened: Micros) -> Option<(f64, f64)> {
    came_to_rest(context, made, opened).filter(|(took, by_friction)| *took < SOONER * by_friction)
}
