//! One thing done to many, several at a time.

use std::{
    any::Any,
    num::NonZeroUsize,
    ops::ControlFlow,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::{
        atomic::{AtomicBool, AtomicUsize, Ordering::Relaxed},
        mpsc,
    },
    thread,
};

use anyhow::{Result, anyhow, ensure};

use crate::{ending::Ending, progress::Progress};

/// What a thread tells of its item.
enum News<T> {
    Progress(f64),
    Finished(Result<T>),
}

/// As many as wanted, or one a processor.
pub fn jobs_at_a_time(wanted: Option<NonZeroUsize>) -> usize {
    wanted.or_else(|| thread::available_parallelism().ok()).map_or(1, NonZeroUsize::get)
}

/// Does one thing to every item, so many at a time, and returns what came of each, in their order. `finished` is told of
/// each in the same order, as soon as it and all before it are done; `progress` of how much is done of each, 0 to 1. One that
/// fails, or panics, does not stop the others.
///
/// # Errors
///
/// If `progress` breaks off before all is done; what was not finished by then comes to nothing.
pub fn in_parallel<I: Sync, T: Send>(
    items: &[I],
    jobs: usize,
    one: &(dyn Fn(&I, &mut Progress) -> Result<T> + Sync),
    finished: &mut dyn FnMut(usize, &Result<T>),
    progress: &mut dyn FnMut(&[f64]) -> ControlFlow<()>,
) -> Result<Vec<Result<T>>> {
    let next = AtomicUsize::new(0);
    let stop = AtomicBool::new(false);
    let (sender, news) = mpsc::channel();
    thread::scope(|scope| {
        for _ in 0..jobs.min(items.len()) {
            let (sender, next, stop) = (sender.clone(), &next, &stop);
            scope.spawn(move || {
                while !stop.load(Relaxed) {
                    let idx = next.fetch_add(1, Relaxed);
                    let Some(item) = items.get(idx) else { break };
                    // The receiver is there as long as any thread is.
                    let tell = |news| sender.send((idx, news)).expect("somebody listens");
                    let mut progress = |done| {
                        tell(News::Progress(done));
                        if stop.load(Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
                    };
                    let result = catch_unwind(AssertUnwindSafe(|| one(item, &mut progress)))
                        .unwrap_or_else(|panic| Err(anyhow!("internal fault: {}", words_of(&*panic))));
                    tell(News::Finished(result));
                }
            });
        }
        drop(sender);

        let mut done = vec![0.0; items.len()];
        let mut results: Vec<Option<Result<T>>> = items.iter().map(|_| None).collect();
        let mut told = 0;
        for (idx, news) in &news {
            match news {
                News::Progress(part) => done[idx] = part,
                News::Finished(result) => {
                    done[idx] = 1.0;
                    results[idx] = Some(result);
                    while let Some(Some(result)) = results.get(told) {
                        // What was broken off is no news.
                        if result.is_ok() || !stop.load(Relaxed) {
                            finished(told, result);
                        }
                        told += 1;
                    }
                }
            }
            if progress(&done).is_break() {
                stop.store(true, Relaxed);
            }
        }
        // Done in spite of one before that was never begun.
        for (idx, result) in results.iter().enumerate().skip(told) {
            if let Some(result @ Ok(_)) = result {
                finished(idx, result);
            }
        }
        let all_done = results.iter().all(|result| matches!(result, Some(Ok(_))));
        ensure!(all_done || !stop.load(Relaxed), Ending::stopped());
        Ok(results.into_iter().flatten().collect())
    })
}

fn words_of(panic: &(dyn Any + Send)) -> &str {
    let text = panic.downcast_ref::<&str>().copied();
    text.or_else(|| panic.downcast_ref::<String>().map(String::as_str)).unwrap_or("unknown")
}

#[cfg(test)]
mod tests {
    use anyhow::bail;

    use super::*;

    fn go_on(_: &[f64]) -> ControlFlow<()> {
        ControlFlow::Continue(())
    }

    /// What fails, in either way, fails alone; results stand in the order of the items, and each is told once.
    #[test]
    fn one_that_fails_does_not_stop_the_others() {
        let items: Vec<u32> = (0..20).collect();
        let one = |item: &u32, _: &mut Progress| match item {
            3 => bail!("three"),
            7 => panic!("seven, on purpose"),
            _ => Ok(2 * item),
        };
        for jobs in [1, 3, 50] {
            let mut told = Vec::new();
            let results = in_parallel(&items, jobs, &one, &mut |idx, _| told.push(idx), &mut go_on).unwrap();
            assert_eq!(told, (0..20).collect::<Vec<_>>(), "each once, in their order");
            for (item, result) in items.iter().zip(results) {
                match item {
                    3 => assert_eq!(result.unwrap_err().to_string(), "three"),
                    7 => assert!(result.unwrap_err().to_string().contains("seven, on purpose")),
                    _ => assert_eq!(result.unwrap(), 2 * item),
                }
            }
        }
    }

    /// The first ends last, and is told first all the same.
    #[test]
    fn results_come_in_order_whatever_is_done_first() {
        let all_others = std::sync::Barrier::new(2);
        let one = |item: &usize, _: &mut Progress| {
            if [0, 3].contains(item) {
                // The last item waits for the first: by then those between are done.
                all_others.wait();
            }
            Ok(*item)
        };
        let mut told = Vec::new();
        let mut tell = |idx: usize, _: &Result<usize>| told.push(idx);
        in_parallel(&[0, 1, 2, 3], 2, &one, &mut tell, &mut go_on).unwrap();
        assert_eq!(told, [0, 1, 2, 3]);
    }

    /// When the user stops, all threads do, and say so.
    #[test]
    fn stops_when_told() {
        let one = |_: &u32, progress: &mut Progress| -> Result<()> {
            while progress(0.5).is_continue() {}
            bail!("broken off")
        };
        let stopped =
            in_parallel(&[1, 2], 2, &one, &mut |_, _| (), &mut |_| ControlFlow::Break(())).unwrap_err();
        assert_eq!(Ending::code_of(&stopped), crate::ending::STOPPED);
    }

    /// Told to stop when all is done, or too late for one that can no longer be stopped: that is done, and told.
    #[test]
    fn what_is_done_in_spite_of_stopping_is_done() {
        let one = |item: &u32, progress: &mut Progress| {
            _ = progress(0.5);
            Ok(2 * item)
        };
        let mut told = Vec::new();
        let results =
            in_parallel(&[21], 1, &one, &mut |_, result| told.push(*result.as_ref().unwrap()), &mut |_| {
                ControlFlow::Break(())
            });
        assert_eq!((results.unwrap().pop().unwrap().unwrap(), told), (42, vec![42]));
    }
}
