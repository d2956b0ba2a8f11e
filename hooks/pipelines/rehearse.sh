#!/bin/sh
# For any CI that runs a shell: rehearses an update of the slicing software, and comments.
#
#   sh rehearse.sh origin/main
#
# The repository keeps coupons (`wallguard coupon make RULES --quick -o coupon`) and the toolpaths
# that its slicing software makes of their plates, and names them under `coupons` in wallguard.yaml.
# Each toolpath of a new release that a branch commits is held against what it was where the branch
# left its target. Run it where one changed.
# Needs the history down to there (no shallow clone). Reports are in the folder rehearsal-report.
# To comment, set what walls.sh tells of.
# It ends with 0 where nothing gets worse, 1 where a part does, 2 where the job could not be done.
set -u

# Your own URL of wallguard's repository, and a commit of it: see hooks/README.md. Write it here, or
# set it in WALLS_SOURCE.
source="${WALLS_SOURCE:-git+https://forge.example.org/tools/wallguard@COMMIT}"
pip install --quiet "wallguard[comment] @ $source" || exit 2

out=rehearsal-report
mkdir -p "$out" || exit 2
status=0
wallguard rehearse --base "$1" --junit "$out/rehearsal.xml" \
    --markdown "$out/rehearsal.md" --json "$out/rehearsal.json" || status=$?

if [ -n "${WALLS_PULL_REQUEST:-}" ] && [ -f "$out/rehearsal.json" ]; then
    # That a comment cannot be made is no finding.
    wallguard comment "$out/rehearsal.json" --name rehearsal --forge "${WALLS_FORGE:-github}" \
        ${WALLS_API:+--base-url "$WALLS_API"} --repository "${WALLS_REPOSITORY:-}" \
        --pull-request "$WALLS_PULL_REQUEST" --output "$out/rehearsal-comment.md" || true
fi
exit "$status"
