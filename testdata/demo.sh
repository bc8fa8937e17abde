#!/bin/sh
# The main job from end to end on a stand-in host: a real kernel's captured
# facts with an invented scenario laid over them. Nothing outside a temporary
# folder is read or changed, no daemon is asked.
set -eu
lendkeep=$(realpath "$1")
cd "$(dirname "$0")/.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

say() { printf '\n== %s\n' "$1"; }
# do_ runs lendkeep, which must end with exit code $want, by default 0.
do_() {
	printf '$ lendkeep %s\n' "$*" | sed "s|$work/||g"
	status=0
	"$lendkeep" "$@" > "$work/out" 2>&1 || status=$?
	sed "s|$work/||g" "$work/out"
	[ "$status" = "${want:-0}" ] || { echo "the demo failed: exit code $status" >&2; exit 1; }
}
code() { sed -n 's/^Approval code: //p' "$1"; }

say "The host: read every fact of larch, and keep it as a stand-in host in a folder."
mkdir "$work/larch"
do_ survey --root testdata/hosts/larch.txtar
do_ survey --root testdata/hosts/larch.txtar -o "$work/larch/survey.json"

say "What the stand-in host answers, with who holds its drives."
do_ survey --stand-in "$work/larch" -o "$work/before.json"

say "The layout: grading borrows the controller by day, catalogue lives on its shelf by night."
do_ check examples/larch --stand-in "$work/larch"

say "The order for the day shift: steps, each with its undo. Nothing is changed yet."
do_ plan examples/larch --shift day --stand-in "$work/larch" --xml -o "$work/day.order"
cp "$work/out" "$work/day.txt"

say "The rehearsal: the same order on a copy of the host, every failure included."
do_ rehearse "$work/day.order" --survey "$work/larch/survey.json"

say "Approved by its code, carried out; libvirt's own test driver takes every definition."
do_ apply "$work/day.order" --approve "$(code "$work/day.txt")" --stand-in "$work/larch"

say "Who holds what now?"
do_ status examples/larch --stand-in "$work/larch"

say "Planning again: there is nothing to do."
do_ plan examples/larch --shift day --stand-in "$work/larch"

say "Back again: everything is undone in reverse."
do_ rollback --stand-in "$work/larch"
want=1 do_ status examples/larch --stand-in "$work/larch"

say "Is the host as before? Its facts, read again, beside the first survey:"
do_ survey --stand-in "$work/larch" -o "$work/after.json"
if diff "$work/before.json" "$work/after.json"; then
	echo "no difference: the host is as before"
else
	echo "the host is NOT as before" >&2
	exit 1
fi

say "Is it worth it? grading's drive through the host, then lent. Larch's guest gives recorded figures: they are invented."
cp testdata/hosts/larch.agents.json "$work/larch/agents.json"
mkdir "$work/virtual"
cat > "$work/virtual/larch.hcl" <<'LAYOUT'
host "larch" {
}

guest "grading" {
  system = "windows"
}

shift "day" { guests = [guest.grading] }
LAYOUT
do_ plan "$work/virtual" --shift day --stand-in "$work/larch" -o "$work/virtual.order"
cp "$work/out" "$work/virtual.txt"
do_ apply "$work/virtual.order" --approve "$(code "$work/virtual.txt")" --stand-in "$work/larch"
do_ measure examples/larch --guest grading --label before --write --stand-in "$work/larch" -o "$work/before.result.json"
do_ rollback --stand-in "$work/larch"
do_ plan examples/larch --shift day --stand-in "$work/larch" -o "$work/lent.order"
cp "$work/out" "$work/lent.txt"
do_ apply "$work/lent.order" --approve "$(code "$work/lent.txt")" --stand-in "$work/larch"
do_ measure examples/larch --guest grading --label lent --write --stand-in "$work/larch" -o "$work/lent.result.json"
do_ rollback --stand-in "$work/larch"
do_ measure --compare "$work/before.result.json" "$work/lent.result.json" --svg "$work/chart.svg"

say "Moving a system: grading's image goes onto a blank drive of its own, the host keeps the rest."
mkdir "$work/moving"
cp "$work/larch/survey.json" "$work/moving/survey.json"
do_ plan examples/moving --shift day --stand-in "$work/moving" -o "$work/move.order"
cp "$work/out" "$work/move.txt"
do_ apply "$work/move.order" --approve "$(code "$work/move.txt")" --confirmed grading --stand-in "$work/moving"
do_ plan examples/moving --shift day --stand-in "$work/moving"

say "And back: undoing it empties the drive, so its serial must be spelled out."
do_ rollback --erase RL-4410-0088 --stand-in "$work/moving"
