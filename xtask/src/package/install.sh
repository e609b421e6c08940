#!/bin/sh
# Installs Minuend for the present user, or removes it:
#
#     ./install.sh
#     ./install.sh --uninstall
#
# It asks nothing. An earlier Minuend is replaced; what is not Minuend's is left alone, and then nothing is installed.
# XDG_DATA_HOME is where the shells look for completions, and ~/.local/share where it is not set (XDG Base Directory
# Specification).
set -eu

fail() {
    printf 'install.sh: %s\n' "$*" >&2
    exit 1
}

[ -n "${HOME:-}" ] || fail "HOME is not set, so that there is no folder to install to; set it"
data=${XDG_DATA_HOME:-$HOME/.local/share}

# Calls a function with each part of the archive and its place.
each() {
    "$1" minuend.clap "$HOME/.clap/minuend.clap"
    "$1" minuend.vst3 "$HOME/.vst3/minuend.vst3"
    "$1" minuend "$HOME/.local/bin/minuend"
    # Where `man` looks for what lies in ~/.local/bin.
    "$1" man/minuend.1 "$HOME/.local/share/man/man1/minuend.1"
    "$1" man/minuend-backing.1 "$HOME/.local/share/man/man1/minuend-backing.1"
    "$1" man/minuend-pair.1 "$HOME/.local/share/man/man1/minuend-pair.1"
    "$1" man/minuend-render.1 "$HOME/.local/share/man/man1/minuend-render.1"
    "$1" completions/minuend.bash "$data/bash-completion/completions/minuend"
    "$1" completions/minuend.fish "$data/fish/vendor_completions.d/minuend.fish"
    "$1" completions/_minuend "$data/zsh/site-functions/_minuend"
}

present() {
    [ -e "$1" ] || [ -L "$1" ]
}

# Every part holds one of these, and nobody else's file does.
ours() {
    LC_ALL=C grep -rqF -e 'audio.minuend.minuend' -e 'Mix minus backing, from files to files' "$1" 2>/dev/null
}

check() {
    [ -e "$1" ] || fail "$PWD/$1: is missing; unpack the whole archive"
    if present "$2" && ! ours "$2"; then
        fail "$2: is there already and is not Minuend's; move it away. Nothing was installed"
    fi
}

stage=
target=
# An earlier one goes back if the new one did not come to its place.
clean() {
    [ -n "$stage" ] || return 0
    if present "$stage/old" && ! present "$target"; then
        mv "$stage/old" "$target"
    fi
    rm -rf "$stage"
    stage=
}
trap clean EXIT
trap 'exit 130' HUP INT TERM

# Copied beside its place and then renamed, so that it is never there by halves.
put() {
    target=$2
    mkdir -p "$(dirname "$target")"
    stage=$(mktemp -d "$(dirname "$target")/.minuend-XXXXXX")
    cp -R "$1" "$stage/new"
    if present "$target"; then
        mv "$target" "$stage/old"
    fi
    mv "$stage/new" "$target"
    clean
    printf '%s\n' "$target"
}

# Folders that are empty then go as well.
remove() {
    present "$2" || return 0
    if ! ours "$2"; then
        printf '%s: left alone, it is not Minuend'\''s\n' "$2" >&2
        return 0
    fi
    rm -rf "$2"
    printf '%s: removed\n' "$2"
    folder=$(dirname "$2")
    while [ "$folder" != "$HOME" ] && rmdir "$folder" 2>/dev/null; do
        folder=$(dirname "$folder")
    done
}

cd "$(dirname "$0")"
case "$#:${1:-}" in
    0:)
        each check
        each put
        case ":$PATH:" in
            *":$HOME/.local/bin:"*) ;;
            *) printf 'To call the program by its name, add %s to PATH.\n' "$HOME/.local/bin" ;;
        esac
        ;;
    1:--uninstall)
        each remove
        ;;
    *)
        printf 'usage: install.sh [--uninstall]\n' >&2
        exit 2
        ;;
esac
