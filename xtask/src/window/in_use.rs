//! What this process holds, and what it has used of the processor, as Linux and the X server count it.

use std::{collections::HashMap, fs};

use anyhow::{Context, Result};

use super::screen::Screen;

/// What grows when something leaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct InUse {
    /// Memory that is resident, KiB.
    pub memory_kib: usize,
    /// Threads.
    pub num_threads: usize,
    /// Open files, sockets and the like.
    pub num_files: usize,
    /// Connections to the X server.
    pub num_connections: usize,
    /// Windows, pixmaps and whatever else the X server keeps for them.
    pub num_resources: usize,
}

impl InUse {
    /// Counts; an error where the system does not tell.
    pub fn now(screen: &Screen) -> Result<Self> {
        let status = fs::read_to_string("/proc/self/status")?;
        let number = |name| number(&status, name).with_context(|| format!("/proc/self/status: no {name}"));
        let [num_connections, num_resources] = screen.num_connections_and_resources()?;
        Ok(Self {
            memory_kib: number("VmRSS:")?,
            num_threads: number("Threads:")?,
            num_files: fs::read_dir("/proc/self/fd")?.count(),
            num_connections,
            num_resources,
        })
    }
}

/// The number behind a name in `/proc/self/status`: proc_pid_status(5).
fn number(status: &str, name: &str) -> Option<usize> {
    status.lines().find_map(|line| line.strip_prefix(name))?.split_whitespace().next()?.parse().ok()
}

/// Processor time of every thread of this process, by thread id.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ProcessorTimes(HashMap<u32, ThreadTime>);

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct ThreadTime {
    /// Time on the processor, ns.
    ns: u64,
    /// It does what a graphics card would do.
    rasterises: bool,
}

/// Processor time that was used, s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Used {
    /// By all threads.
    pub all_s: f64,
    /// By those that have begun since.
    pub new_s: f64,
    /// By those of the new that do what a graphics card would do.
    pub rasterising_s: f64,
}

impl ProcessorTimes {
    /// Reads them. A thread that ends meanwhile is left out.
    pub fn now() -> Result<Self> {
        let threads = fs::read_dir("/proc/self/task")?.filter_map(|entry| {
            let folder = entry.ok()?.path();
            let read = |name| fs::read_to_string(folder.join(name)).ok();
            // Mesa's software rasteriser names its threads so.
            let rasterises = read("comm")?.starts_with("llvmpipe");
            let time = ThreadTime { ns: on_processor_ns(&read("schedstat")?)?, rasterises };
            Some((folder.file_name()?.to_str()?.parse().ok()?, time))
        });
        Ok(Self(threads.collect()))
    }

    /// What was used since `earlier`; new are the threads that were not there at `birth`.
    pub fn since(&self, earlier: &Self, birth: &Self) -> Used {
        let mut used = Used::default();
        for (thread, now) in &self.0 {
            let before = earlier.0.get(thread).copied().unwrap_or_default();
            let s = now.ns.saturating_sub(before.ns) as f64 * 1e-9;
            used.all_s += s;
            if !birth.0.contains_key(thread) {
                used.new_s += s;
                used.rasterising_s += if now.rasterises { s } else { 0.0 };
            }
        }
        used
    }
}

/// The first number of a `schedstat`, the time on the processor: Linux, Documentation/scheduler/sched-stats.rst.
fn on_processor_ns(schedstat: &str) -> Option<u64> {
    schedstat.split_whitespace().next()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_found_behind_their_names() {
        let status = "Name:\tThreads: 7\nVmHWM:\t  9000 kB\nVmRSS:\t  5124 kB\nThreads:\t3\n";
        assert_eq!(number(status, "VmRSS:"), Some(5_124));
        assert_eq!(number(status, "Threads:"), Some(3));
        assert_eq!(number(status, "VmSwap:"), None);
        assert_eq!(on_processor_ns("1773996 250 1\n"), Some(1_773_996));
        assert_eq!(on_processor_ns("\n"), None);
    }

    #[test]
    fn time_is_counted_since_then_and_by_the_threads_that_came() {
        let times = |of: &[(u32, u64, bool)]| {
            ProcessorTimes(
                of.iter().map(|&(id, ns, rasterises)| (id, ThreadTime { ns, rasterises })).collect(),
            )
        };
        let birth = times(&[(1, 100, false), (2, 100, false)]);
        let earlier = times(&[(1, 1_000_000_000, false), (2, 500, false), (3, 2_000_000_000, true)]);
        // Thread 2 has ended, 3 has gone on, 4 has begun.
        let now = times(&[(1, 1_250_000_000, false), (3, 2_500_000_000, true), (4, 1_000_000_000, false)]);
        assert_eq!(now.since(&earlier, &birth), Used { all_s: 1.75, new_s: 1.5, rasterising_s: 0.5 });
    }

    /// The system tells of the thread that asks.
    #[test]
    fn this_process_has_used_something() {
        let none = ProcessorTimes::default();
        let used = ProcessorTimes::now().unwrap().since(&none, &none);
        assert!(used.all_s > 0.0 && used.all_s == used.new_s, "{used:?}");
    }
}
