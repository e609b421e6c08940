//! Parts of a job that do not need each other, so that whoever has threads may do them at once.

/// Does two things, in either order or at once.
pub type Both = fn(&mut (dyn FnMut() + Send), &mut (dyn FnMut() + Send));

/// One after the other.
pub fn in_turn(one: &mut (dyn FnMut() + Send), other: &mut (dyn FnMut() + Send)) {
    one();
    other();
}

/// What comes of each item, in their order. Every other item is done beside the rest, so that two alike that follow each other
/// share the time.
pub fn each<I: Sync, T: Send>(items: &[I], both: Both, one: impl Fn(&I) -> T + Sync) -> Vec<T> {
    let every_other = |first: usize| items.iter().skip(first).step_by(2).map(&one).collect();
    let (mut even, mut odd): (Vec<T>, Vec<T>) = Default::default();
    both(&mut || even = every_other(0), &mut || odd = every_other(1));
    let mut odd = odd.into_iter();
    even.into_iter().flat_map(|even| [Some(even), odd.next()]).flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whichever half is done first.
    #[test]
    fn what_comes_of_each_stands_in_their_order() {
        let swapped: Both = |one, other| in_turn(other, one);
        for len in 0..6 {
            let items: Vec<usize> = (0..len).collect();
            let expected: Vec<usize> = (0..len).map(|n| 10 * n).collect();
            for both in [in_turn, swapped] {
                assert_eq!(each(&items, both, |n| 10 * n), expected);
            }
        }
    }
}
