//! Counts against listing, numbers both ways, the draw, distances and the standards' tables.

use proptest::prelude::*;

use crate::differs::geometry::{Claim, ForbiddenHeight, Geometry, Separation};
use crate::differs::space::{Space, TooLarge, rule_costs};
use crate::differs::standards::shortfalls;

/// Every list of heights, with each rule looked at by itself.
fn listed(geometry: &Geometry) -> Vec<Vec<u8>> {
    let mut all: Vec<Vec<u8>> = vec![vec![]];
    for _ in 0..geometry.positions {
        let longer = |list: &Vec<u8>| {
            let list = list.clone();
            (geometry.lowest..=geometry.highest()).map(move |height| [list.as_slice(), &[height]].concat())
        };
        all = all.iter().flat_map(longer).collect();
    }
    all.retain(|heights| keeps(geometry, heights));
    all
}

fn keeps(geometry: &Geometry, heights: &[u8]) -> bool {
    let mut times = [0_u8; 31];
    for height in heights {
        times[usize::from(*height)] += 1;
    }
    let runs = heights.chunk_by(|one, other| one == other).map(<[u8]>::len).max().unwrap_or(0);
    let mut distinct = heights.to_vec();
    distinct.sort_unstable();
    distinct.dedup();
    let steps = heights.windows(2).map(|pair| pair[0].abs_diff(pair[1])).max().unwrap_or(0);
    let forbidden = |line: &ForbiddenHeight| line.heights.contains(&heights[usize::from(line.position) - 1]);
    geometry.most_alike.is_none_or(|most| times.iter().all(|times| *times <= most))
        && geometry.most_alike_in_a_row.is_none_or(|most| runs <= usize::from(most))
        && geometry.largest_step.is_none_or(|most| steps <= most)
        && geometry.fewest_heights.is_none_or(|fewest| distinct.len() >= usize::from(fewest))
        && !geometry.forbidden.iter().any(forbidden)
}

fn geometries() -> impl Strategy<Value = Geometry> {
    let rule = |most: u8| proptest::option::of(1..=most);
    (2..=5u8, 2..=5u8, 0..=2u8).prop_flat_map(move |(positions, heights, lowest)| {
        let line = (1..=positions, proptest::collection::vec(lowest..lowest + heights, 0..3))
            .prop_map(|(position, heights)| ForbiddenHeight { position, heights });
        let step = proptest::option::of(0..heights);
        (rule(positions), rule(positions), step, rule(heights), proptest::collection::vec(line, 0..3))
            .prop_map(move |(most_alike, most_alike_in_a_row, largest_step, fewest_heights, forbidden)| {
                Geometry {
                    lowest,
                    forbidden,
                    most_alike,
                    most_alike_in_a_row,
                    largest_step,
                    fewest_heights,
                    ..Geometry::plain(positions, heights)
                }
            })
    })
}

proptest! {
    #[test]
    fn counts_and_numbers_are_those_of_the_list(geometry in geometries()) {
        prop_assert!(geometry.problems().is_empty());
        let (space, listed) = (Space::of(&geometry).unwrap(), listed(&geometry));
        prop_assert_eq!(space.count(), listed.len() as u128);
        for (at, heights) in (0..).zip(&listed) {
            let unranked = space.unrank(at);
            prop_assert_eq!(unranked.as_ref(), Some(heights));
            prop_assert_eq!(space.rank(heights), Some(at));
        }
        prop_assert_eq!(space.unrank(space.count()), None);
        prop_assert_eq!(rule_costs(&geometry).unwrap().last().unwrap().left, space.count());
    }

    #[test]
    fn the_number_of_what_a_number_stands_for_is_that_number(rank in any::<u128>(), positions in 2..=16u8) {
        let geometry = Geometry { most_alike_in_a_row: Some(2), largest_step: Some(7),
            ..Geometry::plain(positions, 31) };
        let space = Space::of(&geometry).unwrap();
        let rank = rank % space.count();
        prop_assert_eq!(space.rank(&space.unrank(rank).unwrap()), Some(rank));
    }
}

#[test]
fn large_spaces_have_the_counts_of_closed_forms() {
    let count = |geometry: Geometry| Space::of(&geometry).unwrap().count();
    assert_eq!(count(Geometry::plain(6, 7)), 117_649);
    assert_eq!(count(Geometry::plain(16, 31)), 31_u128.pow(16));
    // No two neighbours alike: h (h - 1)^(n - 1).
    let row = Geometry { most_alike_in_a_row: Some(1), ..Geometry::plain(12, 9) };
    assert_eq!(count(row), 9 * 8_u128.pow(11));
    // All heights different: h! / (h - n)!, by either of two rules.
    let falling: u128 = (13..=20).product();
    let fewest = Geometry { fewest_heights: Some(8), ..Geometry::plain(8, 20) };
    assert_eq!(count(Geometry { most_alike: Some(1), ..fewest.clone() }), falling);
    let seven = Geometry { fewest_heights: Some(7), ..Geometry::plain(7, 9) };
    assert_eq!(count(seven), (3..=9).product());
    // All but the lists of one height: h^n - h.
    let two = Geometry { most_alike: Some(15), ..Geometry::plain(16, 31) };
    assert_eq!(count(two), 31_u128.pow(16) - 31);
}

#[test]
fn what_takes_too_many_states_is_told() {
    let wide = Geometry { most_alike: Some(2), largest_step: Some(5), ..Geometry::plain(16, 31) };
    assert_eq!(Space::of(&wide).err(), Some(TooLarge));
    // What sections need is far from it.
    let usual = Geometry {
        most_alike: Some(3),
        most_alike_in_a_row: Some(2),
        largest_step: Some(4),
        fewest_heights: Some(4),
        ..Geometry::plain(8, 8)
    };
    assert!(Space::of(&usual).unwrap().count() > 1_000_000);
}

/// `SplitMix64`: a general-purpose generator, so that the test is the same each time.
fn numbers(mut seed: u64) -> impl FnMut() -> [u8; 16] {
    let mut next = move || {
        seed = seed.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (seed ^ seed >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ mixed >> 31
    };
    move || (u128::from(next()) << 64 | u128::from(next())).to_be_bytes()
}

fn chi_squared(observed: &[u32]) -> f64 {
    let expected =
        f64::from(observed.iter().sum::<u32>()) / f64::from(u32::try_from(observed.len()).unwrap());
    observed.iter().map(|count| (f64::from(*count) - expected).powi(2) / expected).sum()
}

/// Upper critical value of the chi-squared distribution at 0.001 with 100 degrees of freedom: 149.449
/// (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4; from memory).
#[test]
fn every_differ_is_as_likely_as_any_other() {
    // 96 differs of the 125: a count that is no power of two, so that draws are rejected.
    let forbidden = vec![ForbiddenHeight { position: 1, heights: vec![5] }];
    let geometry = Geometry { forbidden, most_alike: Some(2), ..Geometry::plain(3, 5) };
    let space = Space::of(&geometry).unwrap();
    let count = usize::try_from(space.count()).unwrap();
    assert_eq!(count, 96);
    let critical = 149.449;
    for seed in 1..=5 {
        let (mut bytes, mut observed) = (numbers(seed), vec![0_u32; count]);
        for _ in 0..50_000 {
            let rank = space.draw_rank(&mut bytes).unwrap();
            observed[usize::try_from(rank).unwrap()] += 1;
        }
        assert!(chi_squared(&observed) < critical, "{}", chi_squared(&observed));
        // The remainder of a byte by 96 favours the first 64, and the test sees it.
        let mut biased = vec![0_u32; count];
        for _ in 0..50_000 {
            biased[usize::from(bytes()[0]) % count] += 1;
        }
        assert!(chi_squared(&biased) > critical);
    }
}

#[test]
fn two_differs_are_apart_by_positions_and_by_steps() {
    let by = |positions, steps| Separation { positions, steps };
    let (one, other) = ([1, 4, 2, 6, 3], [1, 5, 2, 3, 3]);
    assert!(by(2, 4).holds(&one, &other));
    assert!(!by(3, 4).holds(&one, &other));
    assert!(!by(2, 5).holds(&one, &other));
    assert!(!Separation::default().holds(&one, &one));
    assert!(Separation::default().holds(&one, &one[..4]));
}

/// EN 1303, digit 7 (one secondary table; older editions differ): least effective differs, movable
/// detainers, most identical steps in a hundred, most of them side by side. BS 3621: 1,000 differs and
/// five levers (secondary sources).
#[test]
fn a_section_below_its_standard_is_told() {
    let claim = |claim, geometry: &Geometry| {
        let geometry = Geometry { claims: vec![claim], ..geometry.clone() };
        let count = Space::of(&geometry).unwrap().count();
        shortfalls(&geometry, count).into_iter().map(|found| found.problem).collect::<Vec<_>>()
    };
    let strict = Geometry { most_alike: Some(3), most_alike_in_a_row: Some(2), ..Geometry::plain(6, 7) };
    for grade in Claim::ALL.iter().filter(|claim| **claim != Claim::En1303Grade6) {
        assert_eq!(claim(*grade, &strict), Vec::<String>::new(), "{grade}");
    }
    let count = Space::of(&strict).unwrap().count();
    assert!(count < 117_649);
    let plain = Geometry::plain(6, 7);
    assert_eq!(
        claim(Claim::En1303Grade6, &plain),
        [
            "50 % of the levers at most may have the same height; 6 of 6 may",
            "2 side by side at most may have the same height; 6 may"
        ]
    );
    assert_eq!(claim(Claim::Bs3621, &Geometry::plain(5, 4)), Vec::<String>::new());
    assert_eq!(
        claim(Claim::Bs3621, &Geometry::plain(4, 5)),
        ["1000 differs at least; there are 625", "5 levers at least; there are 4"]
    );
    let table: Vec<_> = Claim::ALL
        .iter()
        .map(|claim| claim.minima())
        .map(|asked| (asked.differs, asked.detainers, asked.alike_percent, asked.in_a_row))
        .collect();
    assert_eq!(
        table,
        [
            (100, 2, 100, None),
            (300, 3, 70, Some(2)),
            (15_000, 5, 60, Some(2)),
            (30_000, 5, 60, Some(2)),
            (30_000, 6, 60, Some(2)),
            (100_000, 6, 50, Some(2)),
            (1_000, 5, 100, None),
        ]
    );
}

#[test]
fn a_geometry_that_cannot_be_names_what_is_wrong() {
    let geometry = Geometry {
        forbidden: vec![ForbiddenHeight { position: 9, heights: vec![0] }],
        separation: Separation { positions: 0, steps: 0 },
        most_alike: Some(0),
        largest_step: Some(255),
        ..Geometry::plain(1, 40)
    };
    let places: Vec<_> = geometry.problems().into_iter().map(|problem| problem.pointer).collect();
    assert_eq!(
        places,
        [
            "/positions",
            "/heights",
            "/most_alike",
            "/largest_step",
            "/separation/positions",
            "/separation/steps",
            "/forbidden/0/position",
            "/forbidden/0/heights"
        ]
    );
}

#[test]
fn the_limits_of_a_geometry_themselves_are_no_problem() {
    let places = |geometry: &Geometry| {
        geometry.problems().into_iter().map(|problem| problem.pointer).collect::<Vec<_>>()
    };
    let line = |position, heights| ForbiddenHeight { position, heights };
    let widest = Geometry {
        lowest: 0,
        most_alike: Some(16),
        most_alike_in_a_row: Some(1),
        fewest_heights: Some(16),
        largest_step: Some(30),
        separation: Separation { positions: 16, steps: 16 * 30 },
        forbidden: vec![line(16, (0..31).collect()); 31],
        claims: Claim::ALL.to_vec(),
        ..Geometry::plain(16, 31)
    };
    assert_eq!(places(&widest), Vec::<String>::new());
    let smallest = Geometry { lowest: 29, ..Geometry::plain(2, 2) };
    assert_eq!(places(&smallest), Vec::<String>::new());
    for (wrong, place) in [
        (Geometry { lowest: 30, ..smallest }, "/lowest"),
        (Geometry { lowest: 1, forbidden: vec![], ..widest.clone() }, "/lowest"),
        (Geometry { largest_step: Some(31), ..widest.clone() }, "/largest_step"),
        (Geometry { fewest_heights: Some(17), ..widest.clone() }, "/fewest_heights"),
        (
            Geometry { separation: Separation { positions: 16, steps: 481 }, ..widest.clone() },
            "/separation/steps",
        ),
        (
            Geometry { separation: Separation { positions: 17, steps: 480 }, ..widest.clone() },
            "/separation/positions",
        ),
        (Geometry { forbidden: vec![line(1, vec![]); 32], ..widest.clone() }, "/forbidden"),
        (Geometry { claims: vec![Claim::Bs3621; Claim::ALL.len() + 1], ..widest.clone() }, "/forbidden"),
        (Geometry { forbidden: vec![line(17, vec![])], ..widest.clone() }, "/forbidden/0/position"),
        (Geometry { forbidden: vec![line(0, vec![])], ..widest.clone() }, "/forbidden/0/position"),
        (Geometry { forbidden: vec![line(1, vec![0; 32])], ..widest.clone() }, "/forbidden/0/heights"),
        (Geometry { forbidden: vec![line(1, vec![31])], ..widest }, "/forbidden/0/heights"),
    ] {
        assert_eq!(places(&wrong), [place]);
    }
    let named: Geometry = serde_json::from_str(r#"{"positions": 5, "heights": 6}"#).unwrap();
    assert_eq!(named, Geometry::plain(5, 6));
}

#[test]
fn what_is_none_of_a_geometry_has_no_number() {
    let without_rules = Geometry::plain(3, 4);
    let with_a_rule = Geometry { most_alike: Some(2), ..without_rules.clone() };
    for geometry in [without_rules, with_a_rule] {
        let space = Space::of(&geometry).unwrap();
        assert!(space.contains(&[1, 4, 4]));
        assert_eq!(space.contains(&[4, 4, 4]), geometry.most_alike.is_none());
        for other in [&[1, 4][..], &[1, 4, 4, 1], &[0, 4, 4], &[5, 4, 4], &[1, 4, 5]] {
            assert!(!space.contains(other), "{other:?}");
        }
    }
}

#[test]
fn a_section_that_just_meets_its_standard_falls_short_of_nothing() {
    let grade = Geometry { claims: vec![Claim::Bs3621], ..Geometry::plain(5, 4) };
    assert_eq!(shortfalls(&grade, 1_000), []);
    assert_eq!(shortfalls(&grade, 999).len(), 1);
}
