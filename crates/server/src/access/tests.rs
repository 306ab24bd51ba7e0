//! What the doors of the workbench promise.

use super::*;

const PHONE: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(192, 168, 1, 20));

const fn s(seconds: u64) -> Now {
    Duration::from_secs(seconds)
}

#[test]
fn a_code_works_once_and_for_five_minutes() {
    let mut access = Access::default();
    let code = access.invite(true, s(0));
    let spaced = format!("{} {}", &code[..3].to_lowercase(), &code[3..]);
    let (phone, token) = access.join(&spaced, "phone", PHONE, s(299)).unwrap();
    assert_eq!(access.who(&token, s(299)), Some(phone));
    assert!(!phone.is_bench && phone.may_hold);
    assert!(access.join(&code, "again", PHONE, s(299)).is_err());
    let late = access.invite(true, s(0));
    assert!(access.join(&late, "late", PHONE, s(300)).is_err());
}

#[test]
fn a_guesser_is_not_listened_to_and_keeps_nobody_else_out() {
    let mut access = Access::default();
    let code = access.invite(true, s(0));
    let at = |last| IpAddr::from([192, 168, 1, last]);
    for _ in 0..guessing::OF_ONE {
        assert!(access.join("00000000", "guess", at(66), s(1)).is_err());
    }
    assert!(access.join(&code, "guess", at(66), s(2)).is_err(), "the right code came too late");
    assert!(access.pause_before_join(s(2)).is_zero());
    assert!(access.join(&code, "phone", at(7), s(2)).is_ok(), "who holds the code joins");
    let later = access.invite(true, s(301));
    assert!(access.join(&later, "late", at(66), s(301)).is_ok(), "tries come back with the time");
}

#[test]
fn many_addresses_guess_slowly() {
    let mut access = Access::default();
    let code = access.invite(true, s(0));
    for guess in 0..10_000_u32 {
        assert!(access.join("00000000", "guess", IpAddr::from(guess.to_be_bytes()), s(1)).is_err());
    }
    // What guessing.rs promises: 256 connections, each a try in a pause, for as long as a code lasts, at eight codes.
    let tries = 256.0 * CODE_LASTS.as_secs_f64() / access.pause_before_join(s(1)).as_secs_f64();
    assert!(tries * MAX_CODES as f64 / 31_f64.powi(code.len() as i32) < 1e-6);
    assert!(access.join(&code, "phone", IpAddr::from([192, 168, 1, 7]), s(2)).is_ok(), "who holds the code joins");
    assert!(access.pause_before_join(s(301)).is_zero());
}

#[test]
fn two_clients_want_the_car() {
    let mut access = Access::default();
    let (bench, _) = access.admit_bench(s(0));
    let code = access.invite(true, s(0));
    let (phone, _) = access.join(&code, "phone", PHONE, s(0)).unwrap();
    access.arrive(bench.id);
    access.arrive(phone.id);
    assert!(access.must_hold(phone).is_err());
    assert!(access.take(phone, s(1)).unwrap());
    assert!(!access.take(bench, s(2)).unwrap(), "the holder is asked first");
    assert_eq!(access.people().asked_by, Some(bench.id));
    access.keep(phone).unwrap();
    assert_eq!(access.people().asked_by, None);
    assert!(!access.take(bench, s(3)).unwrap());
    access.hand_over(phone, Some(bench.id)).unwrap();
    assert!(access.must_hold(bench).is_ok() && access.must_hold(phone).is_err());
    assert!(access.hand_over(phone, None).is_err(), "only the holder hands over");
    assert!(!access.take(phone, s(4)).unwrap());
    assert!(!access.take(phone, s(60)).unwrap(), "waiting does not help a phone");
}

#[test]
fn the_bench_gets_the_car_from_a_holder_who_does_not_answer_and_anyone_from_one_who_left() {
    let mut access = Access::default();
    let (bench, _) = access.admit_bench(s(0));
    let code = access.invite(true, s(0));
    let (phone, _) = access.join(&code, "phone", PHONE, s(0)).unwrap();
    access.arrive(phone.id);
    access.take(phone, s(0)).unwrap();
    assert!(!access.take(bench, s(1)).unwrap());
    assert!(!access.take(bench, s(10)).unwrap());
    assert!(access.take(bench, s(11)).unwrap());
    access.arrive(bench.id);
    access.leave(bench.id, s(20));
    assert!(!access.take(phone, s(39)).unwrap(), "a page that is reloaded keeps the car");
    assert!(access.take(phone, s(40)).unwrap());
}

#[test]
fn a_guest_never_holds_the_car() {
    let mut access = Access::default();
    let code = access.invite(false, s(0));
    let (guest, _) = access.join(&code, "guest", PHONE, s(0)).unwrap();
    assert!(access.take(guest, s(0)).is_err());
    let (bench, _) = access.admit_bench(s(0));
    access.take(bench, s(0)).unwrap();
    assert!(access.hand_over(bench, Some(guest.id)).is_err());
}

#[test]
fn a_phone_is_not_taken_for_the_bench() {
    let mut access = Access::default();
    let (bench, _) = access.admit_bench(s(0));
    let (other, _) = access.admit_bench(s(0));
    let code = access.invite(true, s(0));
    let (phone, _) = access.join(&code, "bench", PHONE, s(0)).unwrap();
    assert_eq!([bench, other, phone].map(|who| access.name_of(who.id)), ["bench", "bench", "bench 2"]);
    access.rename(bench.id, "Max");
    access.rename(phone.id, "max");
    assert_eq!(access.name_of(phone.id), "max 2");
    access.rename(phone.id, "max 2");
    assert_eq!(access.name_of(phone.id), "max 2", "its own name is free to it");
}

#[test]
fn whoever_was_away_over_night_joins_again() {
    let mut access = Access::default();
    let code = access.invite(true, s(0));
    let (phone, token) = access.join(&code, "phone", PHONE, s(0)).unwrap();
    let hours = |hours: u64| s(hours * 3600);
    assert!(access.arrive(phone.id));
    assert!(access.who(&token, hours(30)).is_some(), "a page that is open stays");
    access.leave(phone.id, hours(30));
    assert!(access.who(&token, hours(41)).is_some());
    assert!(access.who(&token, hours(42)).is_none());
    let code = access.invite(true, hours(42));
    let (again, _) = access.join(&code, "phone", PHONE, hours(42)).unwrap();
    assert_eq!(access.name_of(again.id), "phone");
}

#[test]
fn a_client_has_a_bounded_number_of_streams() {
    let mut access = Access::default();
    let (bench, _) = access.admit_bench(s(0));
    assert_eq!((0..100).filter(|_| access.arrive(bench.id)).count(), MAX_STREAMS as usize);
    access.leave(bench.id, s(1));
    assert!(access.arrive(bench.id));
    assert!(!access.arrive(99), "nobody has that number");
}

#[test]
fn who_was_sent_away_is_unknown() {
    let mut access = Access::default();
    let code = access.invite(true, s(0));
    let (phone, token) = access.join(&code, "phone", PHONE, s(0)).unwrap();
    access.take(phone, s(0)).unwrap();
    access.dismiss(phone.id);
    assert_eq!(access.who(&token, s(0)), None);
    assert_eq!(access.people().holder, None);
}
