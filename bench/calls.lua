-- Calls for wrk: `dry-run` or `ask` on a random registration, as its owner; `check` of a random card, as a till.
-- Arguments: which call, how many registrations or cards, the file with the access tokens; for a check the
-- file with the tokens of the cards, and how many milliseconds to wait before each call.
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
    if call == "check" then
        cards, pause = {}, tonumber(args[5])
        for line in io.lines(args[4]) do cards[#cards + 1] = line end
        -- At random: callers who all wait as long would all call at once.
        function delay() return math.random(0, 2 * pause) end
    end
end

function request()
    local i = math.random(1, count)
    sent = sent + 1
    if call == "check" then
        local headers = { ["authorization"] = "Bearer " .. tokens[1], ["content-type"] = "application/json" }
        local path = "/v1/counters/" .. counter .. "/card-checks"
        return wrk.format("POST", path, headers, '{"token":"' .. cards[i] .. '"}')
    end
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
