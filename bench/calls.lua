-- Calls for wrk: `dry-run` or `ask` on a random registration, as its owner.
-- Arguments: which call, how many registrations, the file with the access tokens.
local hex = string.format
local function id(kind, i) return hex("00000000-0000-7%03x-8000-%012x", kind, i) end

local threads = 0
function setup(thread)
    thread:set("number", threads)
    threads = threads + 1
end

function init(args)
    call, count = args[1], tonumber(args[2])
    tokens = {}
    for line in io.lines(args[3]) do tokens[#tokens + 1] = line end
    math.randomseed(os.time() * 31 + number * 7919)
    prefix = hex("%08x-%d-", math.random(0, 2 ^ 31 - 1), number)
    sent = 0
    counter = id(4, 1)
end

function request()
    local i = math.random(1, count)
    sent = sent + 1
    local path = "/v1/registrations/" .. id(6, i) .. "/copy-requests"
    if call == "dry-run" then path = path .. "/dry-run" end
    local headers = {
        ["authorization"] = "Bearer " .. tokens[i % 64 + 1],
        ["content-type"] = "application/json",
        ["idempotency-key"] = prefix .. sent,
    }
    local body = '{"differ_id":"' .. id(8, i) .. '","counter_id":"' .. counter .. '"}'
    return wrk.format("POST", path, headers, body)
end

function done(summary, latency)
    io.write(hex("RESULT %d %d %d %d %d\n", summary.requests, summary.duration,
        latency:percentile(50), latency:percentile(99), summary.errors.status + summary.errors.read
        + summary.errors.write + summary.errors.timeout + summary.errors.connect))
end
