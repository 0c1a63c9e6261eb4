#!/usr/bin/env bash
# Shows that each search finds a fault: one is planted behind what an input must get right first, the corpus alone does not
# meet it, and the search does. Ends with 1 where one is not found. With a nightly compiler and cargo-fuzz.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/each.sh"
export PROOFSTAND_PLANTED=1
seconds=${SECONDS_EACH:-600} failed=0
for crate in protocol host; do build "$crate"; done
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
printf '%-20s %10s %9s %9s\n' target executions edges "CPU s"
for entry in $targets; do
    target=${entry%:*} longest=${entry#*:}
    [ $# -eq 0 ] || [[ " $* " == *" ${target#*/} "* ]] || continue
    name=${target#*/} log=$work/$name.log
    # A folder of its own: what is found here is no input that broke anything.
    cp -r "$root/${target%/*}/fuzz/corpus/$name" "$work/$name"
    mkdir "$work/$name.met"
    if ! search "$target" "$longest" "$log" "$work/$name" -- -runs=0 -artifact_prefix="$work/$name.met/"; then
        echo "$target: the corpus itself meets the planted fault, or does not run"
        tail -n 20 "$log"
        failed=1
    elif search "$target" "$longest" "$log" "$work/$name" -- -artifact_prefix="$work/$name.met/" \
        -max_total_time="$seconds"; then
        echo "$target: NOT FOUND in $seconds s"
        failed=1
    elif ! grep -q "the planted fault was found" "$log"; then
        echo "$target: found something else"
        tail -n 30 "$log"
        failed=1
    else
        read -r executions edges _ < <(counted "$log")
        printf '%-20s %10d %9d %9.1f\n' "$target" "$executions" "$edges" "$took"
    fi
done
exit "$failed"
