//! `cargo xtask`: the project's commands.

fn main() -> anyhow::Result<()> {
    xtask::main()
}
