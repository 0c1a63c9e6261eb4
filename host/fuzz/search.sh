#!/usr/bin/env bash
# Searches with each target (or those that are named), RUNS executions each, and prints what each of them reached. Ends with 1
# where one found something. With a nightly compiler and cargo-fuzz. What it keeps stands in the folders target/found.
set -euo pipefail
. "$(dirname "${BASH_SOURCE[0]}")/each.sh"
runs=${RUNS:-1000000} failed=0
for crate in protocol host; do build "$crate"; done
printf '%-20s %10s %9s %9s %9s %9s %s\n' target executions edges features inputs "CPU s" "longest input"
for entry in $targets; do
    target=${entry%:*} longest=${entry#*:}
    [ $# -eq 0 ] || [[ " $* " == *" ${target#*/} "* ]] || continue
    at=$root/${target%/*}/fuzz name=${target#*/}
    found=$at/target/found/$name log=$at/target/found/$name.log
    mkdir -p "$found"
    if ! search "$target" "$longest" "$log" "$found" "$at/corpus/$name" -- -runs="$runs"; then
        failed=1
        echo "$target: FOUND something, kept in $at/artifacts/$name; the search's words are in $log"
        continue
    fi
    read -r executions edges features inputs < <(counted "$log")
    [ "$executions" -ge "$runs" ] || { echo "$target: only $executions executions, see $log"; failed=1; }
    printf '%-20s %10d %9d %9d %9d %9.0f %d\n' "$target" "$executions" "$edges" "$features" "$inputs" "$took" "$longest"
done
exit "$failed"
