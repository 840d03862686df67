"""What users were promised of the outside: names that stay. Columns, words and files may be added, never renamed."""

from __future__ import annotations

COLUMNS = {
    "recordings": "recording, sha256, part, state, stage, point, kind, take, recorded_at, duration_s, "
    "sample_rate_hz, taps_found, taps_used, notice, direct_db",
    "taps": "recording, stage, tap, onset_s, peak_dbfs, snr_db, used, reason",
    "tap_modes": "recording, stage, tap, mode, freq_hz, freq_se_hz, t60_s, t60_se_s, q, level_db",
    "modes": "part, state, stage, stage_order, mode, lead, freq_hz, freq_low_hz, freq_high_hz, note, cents, "
    "concert_pitch_hz, t60_s, t60_low_s, t60_high_s, q, level_db, taps, flags, "
    "working_on, freq_anew_low_hz, freq_anew_high_hz",
    "drift": "part, mode, from_stage, to_stage, freq_change_hz, freq_change_cents, cents_low, cents_high, "
    "t60_change_pct, t60_low_pct, t60_high_pct, verdict, caution, moved, common_cents, common_low_cents, "
    "common_high_cents, own_cents, own_low_cents, own_high_cents, more_taps, more_setups",
    "targets": "part, mode, stage, freq_hz, note, cents, landing, landing_note, landing_hz, cents_to_go, "
    "tolerance_cents, on_target, taps_within, step_cents, step_low_cents, step_high_cents, steps_seen, "
    "steps_to_go, overshoot_pct, basis, on_target_anew",
    "strings": "stage, recording, string, expected_note, expected_hz, freq_hz, freq_low_hz, freq_high_hz, cents_off, "
    "pair_cents, inharmonicity, t60_s, tension_n",
    "sustain": "part, stage, kind, band_low_hz, band_high_hz, edt_s, t20_s, t30_s, t60_s, t60_low_s, t60_high_s, "
    "recordings, flags",
}

COMMANDS = {
    "init": "[SHOP]",
    "run": "[SHOP] [--results DIR] [--jobs N]",
    "watch": "[SHOP]",
    "read": "FILE… [--concert-pitch HZ]",
    "compare": "INSTRUMENT BEFORE AFTER [SHOP]",
    "whatif": "INSTRUMENT [--hole-to MM] [--slot-to MMxMM] [--thickness-to MM] [--take-off-g G] [--pitch HZ] "
    "[--temperature C] [SHOP]",
    "forget": "RECORDING… [SHOP]",
    "now": "[INSTRUMENT STAGE [WORD…]] [--on MODE] [--next] [--undo] [SHOP]",
}

SHOP_FILES = {
    "my-shop/": ["shop.toml", "notes.csv", "recordings/", "results/"],
    "instruments/": ["cittern-07.toml"],
    "results/": ["attention.csv", "cittern-07/"],
    "cittern-07/": [*(f"{name}.csv" for name in COLUMNS), "report.pdf"],
}

FLAGS = {"string", "hum", "pair?", "not-exponential", "few-taps", "one-setup", "recordings-differ", "wide"}
EXIT_STATUSES = ["0", "1", "2", "130"]
