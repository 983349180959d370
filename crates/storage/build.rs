//! The types of columns are read anew when they change.

fn main() {
    println!("cargo:rerun-if-changed=sqlx.toml");
}
