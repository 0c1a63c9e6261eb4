//! A fault that a search must come upon, to show that it searches.

/// Denies what is true, where the build has `PROOFSTAND_PLANTED` set; nothing in any other build. Each check calls it behind
/// what an input has to get right first, so that finding it shows how deep the search goes. See `host/fuzz/planted.sh`.
pub(crate) fn planted(so: bool) {
    assert!(!(option_env!("PROOFSTAND_PLANTED").is_some() && so), "the planted fault was found");
}
