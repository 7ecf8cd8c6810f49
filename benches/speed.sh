#!/usr/bin/env bash
# Times `lowspot map` against an independent NumPy/SciPy script of the same mathematics, in one run on one machine, and how
# the time grows with the panel's area. Prints a table; writes nothing into the repository.
#
#   PYTHON=python3 bash benches/speed.sh
#
# PYTHON needs NumPy and SciPy, scikit-sparse for CHOLMOD: see tests/reference/README.md. Without it only lowspot is timed.
set -euo pipefail
cd "$(dirname "$0")/.."
python=${PYTHON:-python3}
cargo build --release --locked --quiet
lowspot=${CARGO_TARGET_DIR:-$PWD/target}/release/lowspot
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
unset OPENBLAS_CORETYPE OPENBLAS_L2_SIZE || true

# Middle wall time in seconds of N runs of a command.
middle() {
    local n=$1; shift
    for _ in $(seq "$n"); do
        local begin; begin=$(date +%s%N)
        "$@" >/dev/null 2>&1
        echo $(( $(date +%s%N) - begin ))
    done | sort -n | sed -n "$(( (n + 1) / 2 ))p" | awk '{printf "%.3f", $1 / 1e9}'
}

# A simulated panel of LENGTH x WIDTH mm, flat, placings of 600 mm along both axes each 100 mm, readings each 50 mm.
make_case() {
    awk -v L="$1" -v W="$2" -v dir="$3" 'BEGIN {
        srand(7)
        for (k = 0; k < 4 * L * W / 1e6; k++) { cx[k] = rand() * L; cy[k] = rand() * W; d[k] = 0.3 + rand(); s[k] = 40 + 65 * rand(); n = k + 1 }
        print "name = \"speed\"\nlength = " L "\nwidth = " W "\nform = \"flat\"\nsand_allowance = 0.3\n[[limit]]\nbase = 300\ngap = 0.3" > dir "/panel.toml"
        print "unit mm\ntool straightedge 600 step 50" > dir "/readings.txt"
        lines(L, W, 0); lines(W, L, 1)
    }
    function height(x, y,   k, z, q) { z = 0; for (k = 0; k < n; k++) { q = ((x - cx[k])^2 + (y - cy[k])^2) / (2 * s[k]^2); if (q < 20) z -= d[k] * exp(-q) } return z }
    function normal(   u) { do u = rand(); while (u == 0); return sqrt(-2 * log(u)) * cos(6.283185 * rand()) }
    function lines(a, b, across,   at, from, i, g, row) {
        # The last placing of a line lies flush with the end.
        for (at = 50; at < b; at += 100) for (from = 0; ; from = from + 1050 <= a ? from + 450 : a - 600) {
            row = sprintf(across ? "P%d x %g y %g to %g :" : "P%d y %g x %g to %g :", ++count, at, from, from + 600)
            if (!across) row = sprintf("P%d x %g to %g y %g :", count, from, from + 600, at)
            for (i = 0; i <= 600; i += 50) {
                # The edge stands on two 1 mm packers.
                g = 1 - (across ? height(at, from + i) : height(from + i, at)) + 0.03 * normal()
                row = row sprintf(" %.2f", int((g < 0 ? 0 : g) / 0.05 + 0.5) * 0.05)
            }
            print row > dir "/readings.txt"
            if (from + 600 >= a) break
        }
    }'
}

echo "| what | seconds |"
echo "| --- | --- |"
echo "| lowspot --help | $(middle 11 "$lowspot" --help) |"

make_case 1800 1200 "$work"
ours=$(middle 9 "$lowspot" map "$work/panel.toml" "$work/readings.txt" --out "$work/out")
echo "| lowspot map, 1800 x 1200 mm, $(grep -c '^P' "$work/readings.txt") placings, all outputs | $ours |"
if "$python" -c 'import numpy, scipy' 2>/dev/null; then
    theirs=$(middle 3 "$python" tests/reference/map_reference.py "$work/panel.toml" "$work/readings.txt" --out "$work/py")
    echo "| the script, same files, no pictures | $theirs |"
    echo "| ratio | $(awk -v a="$theirs" -v b="$ours" 'BEGIN {printf "%.1f", a / b}') |"
fi
if [ -x /usr/bin/time ]; then
    echo "| peak memory, MB | $( { /usr/bin/time -f %M "$lowspot" map "$work/panel.toml" "$work/readings.txt" --out "$work/out" >/dev/null; } 2>&1 | tail -n 1 | awk '{printf "%.0f", $1 / 1024}') |"
fi
before=
for size in "1200 900" "1800 1200" "2400 1800" "3600 2400" "4000 3000"; do
    read -r length width <<<"$size"
    make_case "$length" "$width" "$work"
    now=$(middle 3 "$lowspot" map "$work/panel.toml" "$work/readings.txt" --out "$work/out")
    echo "| $length x $width mm | $now${before:+, $(awk -v a="$now" -v b="$before" 'BEGIN {printf "%.2f", a / b}') times the one above} |"
    before=$now
done
