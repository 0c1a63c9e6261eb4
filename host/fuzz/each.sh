# What both scripts need: the targets, and one search. Sourced by them.
#
# Each with the longest input worth trying: what is longer says nothing new and takes longer.
targets="protocol/decoder:1024 protocol/message:512 host/sheet:4096 host/scpi:600 host/settings:512 host/journal:3072
    host/samples:512 host/calibration:800"
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/../.." && pwd)
TIMEFORMAT=%U

# search TARGET LONGEST LOG FOLDER... [-- FLAG...]: no sanitizer, since there is no unsafe code in what is searched; assertions
# and checks for overflow are on, as cargo-fuzz builds it. FOLDERs are of inputs, the first of them takes what is found. Sets
# `took` to the seconds of a processor.
search() {
    local at=$root/${1%/*}/fuzz name=${1#*/} longest=$2 log=$3
    shift 3
    local folders=() code=0
    while [ $# -gt 0 ] && [ "$1" != -- ]; do folders+=("$1"); shift; done
    [ $# -eq 0 ] || shift
    took=$({ time cargo +nightly fuzz run --sanitizer none --fuzz-dir "$at" "$name" "${folders[@]}" -- \
        -max_len="$longest" -seed="${SEED:-1}" -print_final_stats=1 "$@" >"$log" 2>&1; } 2>&1) || code=$?
    return "$code"
}

# Builds one crate's targets, so that no time of a search is a compiler's.
build() { cargo +nightly fuzz build --sanitizer none --fuzz-dir "$root/$1/fuzz"; }

# What a log says in the end: executions, then edges, features and inputs kept.
counted() {
    local executed
    executed=$(sed -n 's/^stat::number_of_executed_units: *//p' "$1")
    echo "$executed $(sed -n 's/.*cov: \([0-9]*\) ft: \([0-9]*\) corp: \([0-9]*\).*/\1 \2 \3/p' "$1" | tail -n 1)"
}
