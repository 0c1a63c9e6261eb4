#!/usr/bin/env bash
# Shows that each search finds a fault: one is planted behind what an input must get right first, the corpus alone does not
# meet it, and the search does. From the root of the project, with a nightly compiler and cargo-fuzz.
set -euo pipefail
export PROOFSTAND_PLANTED=1
seconds=${SECONDS_EACH:-300}
here=$(cd "$(dirname "$0")/../.." && pwd)
found=""
for target in protocol/decoder protocol/message host/sheet host/scpi host/settings host/journal host/samples host/calibration; do
    at=$here/${target%/*}/fuzz name=${target#*/}
    work=$(mktemp -d)
    cp "$at/corpus/$name/"* "$work"
    # A folder of its own: what is found here is no input that broke anything.
    run() { cargo +nightly fuzz run --sanitizer none --target-dir "$at/target/planted" --fuzz-dir "$at" "$name" "$work" -- \
        -artifact_prefix="$work/" "$@" >"$work.log" 2>&1; }
    run -runs=0 || { echo "$target: the corpus itself meets the planted fault"; tail -n 20 "$work.log"; exit 1; }
    if run -max_len=8192 -max_total_time="$seconds"; then
        echo "$target: not found in $seconds s"
        exit 1
    fi
    grep -q "the planted fault was found" "$work.log" || { tail -n 30 "$work.log"; exit 1; }
    found+="$target: found after $(sed -n 's/^#\([0-9]*\).*/\1/p' "$work.log" | tail -n 1) executions"$'\n'
    rm -r "$work" "$work.log"
done
printf '%s' "$found"
