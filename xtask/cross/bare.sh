#!/bin/bash
# Tries a package on a bare Debian 12, as a user who has no Rust and no desktop. As root: it installs what that takes.
#
#   xtask/cross/bare.sh ARCHIVE [FOLDER]    tries what `cargo xtask package` made; leaves all in FOLDER
set -euo pipefail
archive=$(realpath "$1")
target=$(realpath -m "${CARGO_TARGET_DIR:-$(dirname "$0")/../../target}")
folder=$(realpath -m "${2:-$target/bare}")
for package in debootstrap xvfb; do
    dpkg-query -W -f '${Status}\n' "$package" 2>/dev/null | grep -q ' installed$' || missing="${missing:-} $package"
done
# shellcheck disable=SC2086 # Several names.
[ -z "${missing:-}" ] || DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $missing

root=$folder/root
# What an earlier run left would be taken for this one's.
rm -rf "$root" "$folder/display"
mkdir -p "$folder"
debootstrap --variant=minbase bookworm "$root" >"$folder/debootstrap.log"
chroot "$root" useradd --create-home --shell /bin/bash user
home=$root$(chroot "$root" getent passwd user | cut -d: -f6)
cp "$archive" "$home/package.tar.gz"
# The embedded host, which that command is of, to play the plug-in there. It makes the song.
cp "$target/release/xtask" "$root/usr/bin/host"

# Runs a command in the root, with the sockets of this machine's displays. The mounts are gone with it.
inside() {
    # shellcheck disable=SC2016 # The inner shell's.
    unshare --mount --pid --fork sh -ec '
        mount -t proc proc "$0/proc"
        mkdir -p /tmp/.X11-unix "$0/tmp/.X11-unix"
        mount --bind /tmp/.X11-unix "$0/tmp/.X11-unix"
        exec chroot "$0" "$@"' "$root" "$@"
}
# Runs a command in the home folder as the user, and shows it.
user() {
    printf '\n$ %s\n' "$1"
    inside su - user -c "set -e; $1"
}

user 'tar -xzf package.tar.gz && rm package.tar.gz && mv minuend-* minuend && ls minuend'
user 'minuend/minuend --help'
user 'cd minuend && find ~ | sort >/tmp/before && ./install.sh'
# In a new session, as after the next login: the folder of the program is in PATH then.
user 'minuend --version; find .clap .vst3 .local -type f'
user 'ldd .clap/minuend.clap .vst3/minuend.vst3/Contents/*/minuend.so .local/bin/minuend'
user 'host demo --bundle ~/.clap/minuend.clap --out /tmp/demo'
user 'minuend render /tmp/demo/mix.wav /tmp/demo/backing.wav -o /tmp/vocal.wav'

# The window takes libraries that every desktop has: those that the README tells to install otherwise.
libraries=$(sed -n 's/.*`apt install \([^`]*\)`.*/\1/p' "$home/minuend/README.md")
Xvfb -displayfd 3 -screen 0 1600x1400x24 -ac 3>"$folder/display" >"$folder/xvfb.log" 2>&1 &
trap 'kill $!' EXIT
until [ -s "$folder/display" ]; do sleep 0.1; done
# Whatever draws keeps its own files elsewhere than in the home folder, which is compared below.
window="DISPLAY=:$(cat "$folder/display") XDG_CACHE_HOME=/tmp/cache"
window+=' host window --bundle ~/.clap/minuend.clap --seconds 3 --screenshot /tmp'
if user "$window"; then
    echo 'The window needs no library: is this root bare?' >&2
    exit 1
fi
# shellcheck disable=SC2086 # Several names.
inside env DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $libraries >"$folder/apt.log"
user "$window"
cp "$root/tmp/demo.png" "$folder/window.png"

user 'minuend/install.sh --uninstall; find ~ | sort | diff /tmp/before - && echo nothing is left'
