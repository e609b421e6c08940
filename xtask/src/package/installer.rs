//! The script that puts a package's parts to their places, under Linux.

/// The script. It asks nothing, replaces only what is ours, and removes everything again.
pub const SCRIPT: &str = include_str!("install.sh");

/// The marks that the script knows our files by: the plug-in's id, and what the program says of itself.
const MARKS: [&str; 2] = ["audio.minuend.minuend", "Mix minus backing, from files to files"];

/// A line of a text file that marks it as ours.
pub const MARK: &str = MARKS[0];

/// Whether the script will know a file as ours.
pub fn knows(bytes: &[u8]) -> bool {
    MARKS.iter().any(|mark| bytes.windows(mark.len()).any(|window| window == mark.as_bytes()))
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use std::{
        collections::BTreeMap,
        fs,
        path::{Path, PathBuf},
        process::{Command, Output},
    };

    use tempfile::TempDir;

    use super::*;

    const PARTS: [&str; 10] = [
        "completions/_minuend",
        "completions/minuend.bash",
        "completions/minuend.fish",
        "man/minuend-backing.1",
        "man/minuend-pair.1",
        "man/minuend-render.1",
        "man/minuend.1",
        "minuend",
        "minuend.clap",
        "minuend.vst3/Contents/x86_64-linux/minuend.so",
    ];

    /// An unpacked package, and the home folder of someone who has other plug-ins.
    struct Machine {
        package: TempDir,
        home: TempDir,
    }

    impl Machine {
        fn new() -> Self {
            let machine = Self { package: TempDir::new().unwrap(), home: TempDir::new().unwrap() };
            write(&machine.package.path().join("install.sh"), SCRIPT);
            write(&machine.home("another's.clap"), "another's");
            machine
        }

        fn unpack(&self, version: &str) {
            for part in PARTS {
                let mark = if part == "minuend" { MARKS[1] } else { MARKS[0] };
                write(&self.package.path().join(part), &format!("{version} {mark}"));
            }
        }

        fn home(&self, name: &str) -> PathBuf {
            self.home.path().join(".clap").join(name)
        }

        fn run(&self, args: &[&str]) -> Output {
            Command::new("sh")
                .arg(self.package.path().join("install.sh"))
                .args(args)
                .env("HOME", self.home.path())
                .env_remove("XDG_DATA_HOME")
                .output()
                .unwrap()
        }

        /// What the home folder holds: files with their content, folders without.
        fn held(&self) -> BTreeMap<PathBuf, String> {
            let mut held = BTreeMap::new();
            let mut folders = vec![self.home.path().to_owned()];
            while let Some(folder) = folders.pop() {
                for entry in fs::read_dir(&folder).unwrap() {
                    let path = entry.unwrap().path();
                    let content = if path.is_dir() {
                        folders.push(path.clone());
                        String::new()
                    } else {
                        fs::read_to_string(&path).unwrap()
                    };
                    held.insert(path, content);
                }
            }
            held
        }
    }

    fn write(path: &Path, content: &str) {
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, content).unwrap();
    }

    /// Installed twice, the second time over the first; then nothing of it is left, and nothing of others is gone.
    #[test]
    fn installs_replaces_and_removes_without_a_rest() {
        let machine = Machine::new();
        let before = machine.held();
        for version in ["1", "2"] {
            machine.unpack(version);
            let output = machine.run(&[]);
            assert!(output.status.success(), "{output:?}");
            let ours: Vec<_> =
                machine.held().into_values().filter(|content| knows(content.as_bytes())).collect();
            assert_eq!(ours.len(), PARTS.len());
            assert!(ours.iter().all(|content| content.starts_with(version)), "{ours:?}");
        }
        assert!(machine.run(&["--uninstall"]).status.success());
        assert_eq!(machine.held(), before);
        // Of nothing, nothing is removed.
        assert!(machine.run(&["--uninstall"]).status.success());
        assert_eq!(machine.run(&["--help"]).status.code(), Some(2));
    }

    /// Whether it is a file, a folder, or a link that leads nowhere.
    #[test]
    fn leaves_what_is_not_ours_alone() {
        let makers: [fn(&Path); 3] = [
            |place| write(place, "another's"),
            |place| write(&place.join("Contents/other.so"), "another's"),
            |place| std::os::unix::fs::symlink("nowhere", place).unwrap(),
        ];
        for make in makers {
            let machine = Machine::new();
            machine.unpack("1");
            let foreign = machine.home("minuend.clap");
            make(&foreign);
            let seen = || (fs::symlink_metadata(&foreign).unwrap().file_type(), fs::read_dir(&machine.home));
            let (kind, _) = seen();
            let output = machine.run(&[]);
            assert_eq!(output.status.code(), Some(1), "{output:?}");
            let said = String::from_utf8_lossy(&output.stderr);
            assert!(said.contains("minuend.clap: is there already"), "{said}");
            assert!(machine.run(&["--uninstall"]).status.success());
            let (kind_after, home) = seen();
            assert_eq!(kind_after, kind);
            // The folder of CLAP plug-ins, and nothing else, was there and is.
            assert_eq!(home.unwrap().count(), 1);
        }
    }

    #[test]
    fn a_package_that_lacks_a_part_installs_nothing() {
        let machine = Machine::new();
        let before = machine.held();
        machine.unpack("1");
        fs::remove_file(machine.package.path().join("minuend.clap")).unwrap();
        assert_eq!(machine.run(&[]).status.code(), Some(1));
        assert_eq!(machine.held(), before);
    }
}
