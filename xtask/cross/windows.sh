#!/bin/bash
# Builds plug-in and program for Windows under Debian 12, and tries them under wine. As root: it installs what that takes.
#
#   xtask/cross/windows.sh build           builds, and says where everything is
#   xtask/cross/windows.sh try [FOLDER]    builds, plays the demo through it, and looks at the window; leaves all in FOLDER
#   xtask/cross/windows.sh test ARGUMENTS  `cargo test ARGUMENTS` under wine, e.g. -p minuend-files; those of xtask take what `build` built
set -euo pipefail
# shellcheck source=xtask/cross/rust.sh
. "$(dirname "$0")/rust.sh"
for package in gcc-mingw-w64-x86-64 wine wine64 xvfb xauth x11-utils ffmpeg; do
    dpkg-query -W -f '${Status}\n' "$package" 2>/dev/null | grep -q ' installed$' || missing="${missing:-} $package"
done
# shellcheck disable=SC2086 # Several names.
[ -z "${missing:-}" ] || DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $missing

target=x86_64-pc-windows-gnu
release=$folder/target/$target/release
export CARGO_TARGET_X86_64_PC_WINDOWS_GNU_LINKER=x86_64-w64-mingw32-gcc \
    CARGO_TARGET_X86_64_PC_WINDOWS_GNU_RUNNER="xvfb-run -a wine"
bundled=$folder/target/bundled
# Wine looks for libraries in WINEPATH, too.
export WINEPREFIX=$folder/wine WINEDEBUG=-all WINEPATH=Z:$folder/trial MINUEND_BUNDLE=$bundled/minuend.clap
build_std=(-Zbuild-std=std,panic_unwind --target "$target" --release --locked)
cd "$root"

mkdir -p "$folder/trial"
x86_64-w64-mingw32-gcc -shared -O1 -o "$folder/trial/bcryptprimitives.dll" xtask/cross/bcryptprimitives.c -ladvapi32

build() {
    cargo_cross build "${build_std[@]}" -p minuend -p minuend-files -p xtask
    # As `cargo xtask bundle` lays it out.
    mkdir -p "$bundled/minuend.vst3/Contents/x86_64-win"
    cp "$release/minuend.dll" "$bundled/minuend.clap"
    cp "$release/minuend.dll" "$bundled/minuend.vst3/Contents/x86_64-win/minuend.vst3"
    printf '%s\n' "$release/minuend.exe" "$bundled/minuend.clap" "$bundled/minuend.vst3"
}

case ${1:-build} in
build) build ;;
test)
    cargo_cross test "${build_std[@]}" "${@:2}"
    ;;
try)
    out=${2:-$folder/trial/out}
    mkdir -p "$out"
    out=$(cd "$out" && pwd)
    build
    # The CLAP in the embedded host, and the same song from files; then the same files by Linux.
    wine "$release/xtask.exe" demo --bundle "Z:$MINUEND_BUNDLE" --out "Z:$out/demo" --force
    cargo xtask render "$out/demo/mix.wav" "$out/demo/backing.wav" --low-cut-slope off --force -o "$out/linux.wav"
    python3 xtask/cross/compare.py "$out/demo/rendered.wav" "$out/linux.wav" -120
    # In a terminal: from program to program, as the tests have it, this wine sends no Ctrl-C.
    stopped=$(mktemp -d)
    xvfb-run -a python3 xtask/cross/ctrl_c.py "$stopped" wine "$release/minuend.exe" render \
        "Z:$out/demo/mix.wav" "Z:$out/demo/backing.wav" --one-pass -o "Z:$stopped/out.wav"
    rmdir "$stopped"
    # Without a window manager this wine draws the plug-in's window beside the screen: the picture is taken of that.
    export MINUEND_XTASK=$release/xtask.exe MINUEND_PICTURE=$out/window.png
    xvfb-run -a -s "-screen 0 1600x1400x24" bash -c '
        wine "$MINUEND_XTASK" window --bundle "Z:$MINUEND_BUNDLE" --seconds 60 &
        for _ in $(seq 50); do
            sleep 1
            drawn=$(xwininfo -root -tree | sed -n "s/^ *\(0x[0-9a-f]*\) (has no name): ()  760x720.*/\1/p" | head -n 1)
        done
        ffmpeg -v error -y -f x11grab -window_id "$drawn" -i "$DISPLAY" -frames:v 1 "$MINUEND_PICTURE"
        kill %1'
    printf '%s\n' "$out"
    ;;
*)
    sed -n '2,7s/^# \{0,1\}//p' "$0"
    exit 2
    ;;
esac
