//! Every request is done at most once, however often it arrives.

use proofstand_protocol::message::{Answer, Refusal};

/// What is to be done with a request.
#[derive(Debug, Clone, PartialEq, Eq)]
#[allow(clippy::large_enum_variant, reason = "fixed memory; a box is not to be had")]
pub(super) enum Verdict {
    /// Not seen before: do it.
    New,
    /// It is being done; its answer comes when it is there.
    Pending,
    /// Done before: send the stored answer again.
    Repeated(Answer),
    /// Older than the last: refuse it.
    Refused(Answer),
}

/// The last request, and its answer.
#[derive(Debug, Default)]
pub(super) struct Requests {
    /// The lowest id that is new.
    next: u32,
    /// The last id that was done, and its answer once there is one.
    last: Option<(u32, Option<Answer>)>,
}

impl Requests {
    /// A session begins: ids from `first` on are new.
    pub(super) fn open(&mut self, first: u32) {
        *self = Self { next: first, last: None };
    }

    /// Judges an id, and takes note of a new one. The highest id of all is never new: nothing could follow it.
    pub(super) fn judge(&mut self, id: u32) -> Verdict {
        if id >= self.next && id < u32::MAX {
            (self.next, self.last) = (id + 1, Some((id, None)));
            return Verdict::New;
        }
        match &self.last {
            Some((last, Some(answer))) if *last == id => Verdict::Repeated(answer.clone()),
            Some((last, None)) if *last == id => Verdict::Pending,
            _ => Verdict::Refused(Answer::Refused(Refusal::StaleId)),
        }
    }

    /// Stores the answer of the last request. That of one before it is not stored: a newer one has been asked since.
    pub(super) fn answered(&mut self, id: u32, answer: &Answer) {
        if let Some((last, stored)) = &mut self.last
            && *last == id
        {
            *stored = Some(answer.clone());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_is_new_once_then_repeated_and_stale_when_another_has_come() {
        let mut requests = Requests::default();
        let stale = Verdict::Refused(Answer::Refused(Refusal::StaleId));
        requests.open(100);
        assert_eq!(requests.judge(99), stale);
        assert_eq!(requests.judge(100), Verdict::New);
        assert_eq!(requests.judge(100), Verdict::Pending);
        requests.answered(100, &Answer::Done);
        assert_eq!(requests.judge(100), Verdict::Repeated(Answer::Done));
        assert_eq!(requests.judge(105), Verdict::New);
        assert_eq!(requests.judge(105), Verdict::Pending);
        for late in [0, 100, 104] {
            assert_eq!(requests.judge(late), stale);
        }
        requests.answered(100, &Answer::Done);
        assert_eq!(requests.judge(105), Verdict::Pending, "a late answer does not take its place");
        assert_eq!(requests.judge(u32::MAX), stale);
    }
}
