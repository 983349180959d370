//! A new migration is built in at once.

fn main() {
    println!("cargo:rerun-if-changed=migrations");
}
