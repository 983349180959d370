# Shared by the scripts: what a machine has, and what it lacks.

say() { printf '\n== %s\n' "$*"; }
fail() { printf 'wardbook: %s\n' "$*" >&2; exit 1; }

# Installs Debian packages where that is allowed, else says plainly what is missing.
need_packages() {
    local missing=()
    for package in "$@"; do
        dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing+=("$package")
    done
    [ ${#missing[@]} -eq 0 ] && return
    if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
        say "installing ${missing[*]}"
        # The server package makes a cluster of its own unless it is told not to.
        mkdir -p /etc/postgresql-common/createcluster.d
        echo 'create_main_cluster = false' > /etc/postgresql-common/createcluster.d/wardbook.conf
        apt-get update -qq
        DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null
    else
        fail "missing packages: ${missing[*]}. Install them (for instance: sudo apt-get install ${missing[*]}) and run this again."
    fi
}

need_rust() {
    command -v cargo >/dev/null || fail "Rust is missing: install it (rust-version in Cargo.toml says which) and run this again."
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
