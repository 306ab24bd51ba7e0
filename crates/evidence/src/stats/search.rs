//! Finding a moment among the times of samples.

/// Index of the first of some sorted times after `t_ns`.
///
/// Samples come about evenly: from where the moment would lie then, it is found within a few of them, instead of by halving
/// the whole drive.
pub(crate) fn first_after(times: &[i64], t_ns: i64) -> usize {
    let (Some(&first), Some(&last)) = (times.first(), times.last()) else { return 0 };
    if t_ns < first {
        return 0;
    }
    if t_ns >= last {
        return times.len();
    }
    let since = |t: i64| t.saturating_sub(first) as f64;
    let guess = ((since(t_ns) / since(last) * (times.len() - 1) as f64) as usize).min(times.len() - 2);
    // Widened until the moment lies between: times[low] <= t_ns < times[high].
    let (mut low, mut high, mut stride) = (guess, guess + 1, 1);
    while times[low] > t_ns {
        (low, high, stride) = (low.saturating_sub(stride), low, 2 * stride);
    }
    while times[high] <= t_ns {
        (low, high, stride) = (high, (high + stride).min(times.len() - 1), 2 * stride);
    }
    low + times[low..high].partition_point(|&t| t <= t_ns)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_found_as_by_halving() {
        // Even, with holes, in batches, and in one moment.
        let even: Vec<i64> = (0..500).map(|k| 10 * k).collect();
        let holes: Vec<i64> = even.iter().map(|t| if *t < 2000 { *t } else { t + 1_000_000 }).collect();
        let batches: Vec<i64> = even.iter().map(|t| t / 300 * 300).collect();
        let extreme = vec![i64::MIN, -1, -1, 0, 7, i64::MAX - 1, i64::MAX];
        for times in [even, holes, batches, extreme, vec![5; 9], vec![3], Vec::new()] {
            let around = times.iter().flat_map(|t| [t.saturating_sub(1), *t, t.saturating_add(1), t.saturating_add(5)]);
            for t_ns in around.chain([i64::MIN, -7, 1_001_999, i64::MAX]) {
                assert_eq!(first_after(&times, t_ns), times.partition_point(|t| *t <= t_ns), "{t_ns} in {times:?}");
            }
        }
    }
}
