//! Which operations are open to client programs, and under which scope: what an operation's `Call` does not
//! name, no program may do.

use domain::people::Scope;

/// Which client programs may do something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Programs {
    /// None: a person answers for it.
    None,
    /// Every one.
    Any,
    /// Those with the scope.
    With(Scope),
}

/// Says which client programs may.
pub trait ForPrograms {
    /// Which.
    const PROGRAMS: Programs;
}

macro_rules! for_programs {
    ($( $(#[$meta:meta])* $name:ident = $programs:expr; )+) => { $(
        $(#[$meta])*
        pub struct $name;

        impl ForPrograms for $name {
            const PROGRAMS: Programs = $programs;
        }
    )+ };
}

for_programs! {
    /// Only people.
    PeopleOnly = Programs::None;
    /// Whoever has signed in.
    AnyProgram = Programs::Any;
    /// Programs that may read.
    Read = Programs::With(Scope::Read);
    /// Programs that may write into the register.
    Register = Programs::With(Scope::Register);
    /// Programs that may check cards.
    CardChecks = Programs::With(Scope::CardChecks);
    /// Programs that may account for blanks.
    Blanks = Programs::With(Scope::Blanks);
    /// Programs that may bring in what was cut without a network.
    OfflineCuts = Programs::With(Scope::OfflineCuts);
    /// Programs that may read the entries of the log.
    Log = Programs::With(Scope::Log);
}
