#!/bin/sh
# For any CI that runs a shell: checks what a branch changes, or everything, and comments.
#
#   sh walls.sh origin/main      against where this branch left origin/main
#   sh walls.sh                  every part
#
# Needs the history down to where the branch left its target (no shallow clone), and the files of
# Git LFS where meshes are kept there (git lfs pull). Reports are in the folder walls-report.
# To comment, set WALLS_FORGE (github or gitlab), WALLS_API (the base URL of the REST API),
# WALLS_REPOSITORY, WALLS_PULL_REQUEST, and the token in GITHUB_TOKEN or GITLAB_TOKEN.
# It ends as the check does: 0 passed, 1 findings that fail, 2 the job could not be done.
set -u

# Your own URL of wallguard's repository, and a commit of it: see hooks/README.md. Write it here, or
# set it in WALLS_SOURCE.
source="${WALLS_SOURCE:-git+https://forge.example.org/tools/wallguard@COMMIT}"
pip install --quiet "wallguard[comment] @ $source" || exit 2

out=walls-report
mkdir -p "$out" || exit 2
if [ $# -gt 0 ]; then
    set -- --base "$1"
else
    set -- --all
fi

status=0
wallguard check "$@" --junit "$out/walls.xml" --markdown "$out/walls.md" \
    --json "$out/walls.json" --html "$out/walls.html" || status=$?

if [ -n "${WALLS_PULL_REQUEST:-}" ] && [ -f "$out/walls.json" ]; then
    # That a comment cannot be made is no finding.
    wallguard comment "$out/walls.json" --forge "${WALLS_FORGE:-github}" \
        ${WALLS_API:+--base-url "$WALLS_API"} --repository "${WALLS_REPOSITORY:-}" \
        --pull-request "$WALLS_PULL_REQUEST" --output "$out/walls-comment.md" || true
fi
exit "$status"
