#!/bin/bash
# Has plug-in and program checked by the compiler for both kinds of Mac, under Debian: types, not linking, and nothing is run.
set -euo pipefail
# shellcheck source=xtask/cross/rust.sh
. "$(dirname "$0")/rust.sh"
cd "$root"
for target in aarch64-apple-darwin x86_64-apple-darwin; do
    cargo_cross check -Zbuild-std=std,panic_unwind --target "$target" --locked -p minuend -p minuend-files "$@"
    echo "$target: no errors"
done
