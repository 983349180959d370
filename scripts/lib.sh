# Shared by the scripts: what a machine has, and what it lacks.

say() { printf '\n== %s\n' "$*"; }
fail() { printf 'wardbook: %s\n' "$*" >&2; exit 1; }

# apt-get, which waits while another program has the package lists or the package database.
apt() {
    local said status
    said=$(mktemp)
    for _ in $(seq 120); do
        status=0
        DEBIAN_FRONTEND=noninteractive apt-get -o DPkg::Lock::Timeout=600 "$@" 2>"$said" || status=$?
        grep -q 'Could not get lock\|Unable to acquire the dpkg' "$said" || break
        sleep 5
    done
    [ "$status" -eq 0 ] || cat "$said" >&2
    rm -f "$said"
    return "$status"
}

# Installs Debian packages where that is allowed, else says plainly what is missing.
need_packages() {
    local missing=()
    for package in "$@"; do
        dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing+=("$package")
    done
    [ ${#missing[@]} -eq 0 ] && return
    if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
        say "installing ${missing[*]}"
        # The server package makes a cluster of its own unless it is told not to, this once.
        local quiet=/etc/postgresql-common/createcluster.d/wardbook.conf
        case " ${missing[*]} " in
            *" postgresql "*)
                mkdir -p "${quiet%/*}"
                echo 'create_main_cluster = false' > "$quiet"
                ;;
        esac
        { apt update -qq && apt install -y -qq --no-install-recommends "${missing[@]}"; } >/dev/null \
            || { rm -f "$quiet"; fail "could not install ${missing[*]}"; }
        rm -f "$quiet"
    else
        fail "missing packages: ${missing[*]}. Install them (for instance: sudo apt-get install ${missing[*]}) and run this again."
    fi
}

# Rust of the version that Cargo.toml asks for, with the components that are named.
need_rust() {
    local wanted found component
    wanted=$(sed -n 's/^rust-version = "\(.*\)"/\1/p' "$ROOT/Cargo.toml")
    found=$(rustc --version 2>/dev/null | cut -d' ' -f2) || true
    { [ -n "$found" ] && command -v cargo >/dev/null; } || fail "Rust is missing: install $wanted or newer and run this again."
    [ "$(printf '%s\n' "$wanted" "${found%%-*}" | sort -V | head -1)" = "$wanted" ] \
        || fail "Rust $found is too old: install $wanted or newer and run this again."
    for component in "$@"; do
        cargo "$component" --version >/dev/null 2>&1 || fail "cargo $component is missing: add the component to your Rust."
    done
}

# The address of another database on the same server.
with_database() {
    local query= base=${1%%\?*}
    case $1 in *\?*) query="?${1#*\?}" ;; esac
    local rest=${base#*://}
    printf '%s://%s/%s%s\n' "${base%%://*}" "${rest%%/*}" "$2" "$query"
}

# Starts scripts/database with the arguments; its kind and address are in KIND and URL.
start_database() {
    coproc DATABASE { exec "$ROOT/scripts/database" --scratch "$@"; }
    database_pid=$DATABASE_PID
    local out=${DATABASE[0]:-} in=${DATABASE[1]:-}
    [ -n "$out" ] || fail "no database"
    # Copies: bash forgets the two when the process ends.
    exec {database_out}<&"$out" {database_in}>&"$in"
    eval "exec $out<&- $in>&-"
    { read -r KIND && read -r URL; } <&"$database_out" || fail "no database"
}

# It ends when its standard input does.
stop_database() {
    [ -n "${database_in:-}" ] || return 0
    exec {database_in}>&- {database_out}<&-
    database_in=
    wait "$database_pid" 2>/dev/null || true
}

have_docker() { command -v docker >/dev/null && docker info >/dev/null 2>&1; }

# Compose is there as a plugin, or as the older program.
compose() {
    if docker compose version >/dev/null 2>&1; then docker compose "$@"; else docker-compose "$@"; fi
}
have_compose() { docker compose version >/dev/null 2>&1 || command -v docker-compose >/dev/null; }

POSTGRES_IMAGE="${WARDBOOK_POSTGRES_IMAGE:-postgres:15-bookworm}"
LOCAL_IMAGE="wardbook-postgres:15"

# An image for the container database: the one that was named, or can be had, or can be made here.
# Prints its name; fails where there is none.
find_image() {
    have_docker && have_compose || return 1
    local image
    for image in "$POSTGRES_IMAGE" "$LOCAL_IMAGE"; do
        docker image inspect "$image" >/dev/null 2>&1 && { echo "$image"; return; }
    done
    timeout 120 docker pull -q "$POSTGRES_IMAGE" >/dev/null 2>&1 && { echo "$POSTGRES_IMAGE"; return; }
    "$ROOT/scripts/postgres-image" >&2 && { echo "$LOCAL_IMAGE"; return; }
    return 1
}

# Waits until a PostgreSQL answers.
wait_for() {
    for _ in $(seq 150); do
        psql "$1" -Atqc 'SELECT 1' >/dev/null 2>&1 && return
        sleep 0.2
    done
    fail "the database does not answer"
}
