#!/usr/bin/env bash
# Encodes inputs.json anew. Run it in this folder, then look at "git diff".
# Wants node and npm; the encoder goes into a scratch folder and is no part of
# this repository.
set -euo pipefail
cd "$(dirname "$0")"
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
npm install --silent --no-audit --no-fund --ignore-scripts --prefix "$scratch" sparkplug-payload@1.0.3 long@4.0.0 >/dev/null
NODE_PATH="$scratch/node_modules" node make.js
