# Brings a Rust with the source of its standard library, to be sourced by the scripts beside it: Debian's, unpacked into a folder of
# its own, so that the system's Rust stays as it is. Sets `folder`, where all of it is, and `cargo_cross`, which takes the
# arguments of cargo.
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/../.." && pwd)
folder=${CARGO_TARGET_DIR:-$root/target}/cross
rust=$folder/rust/usr

if [ ! -x "$rust/bin/rustc" ]; then
    mkdir -p "$folder/packages"
    apt-get update -q
    (
        cd "$folder/packages"
        # The compiler's and cargo's own libraries are packages apart, with versions in their names.
        libraries=$(apt-cache depends --recurse --no-recommends --no-suggests --no-conflicts --no-breaks --no-replaces \
            --no-enhances rustc-web cargo-web |
            grep -xE 'libstd-rust-web-[0-9.]+|libllvm[0-9]+|libgit2-[0-9.]+|libmbed(tls|x509-|crypto)[0-9]+|libhttp-parser[0-9.]+')
        # shellcheck disable=SC2086 # Several names.
        apt-get download -q rustc-web cargo-web libstd-rust-web-dev rust-web-src $libraries
        for package in *.deb; do dpkg -x "$package" ../rust; done
    )
    rm -r "$folder/packages"
fi

cargo_cross() {
    local llvm
    llvm=$(echo "$rust"/lib/llvm-*/lib)
    # The standard library is built from source by a feature that only nightly compilers have unless told so.
    RUSTC=$rust/bin/rustc RUSTDOC=$rust/bin/rustdoc RUSTC_BOOTSTRAP=1 CARGO_TARGET_DIR=$folder/target \
        LD_LIBRARY_PATH=$rust/lib/x86_64-linux-gnu:$llvm "$rust/bin/cargo" "$@"
}
