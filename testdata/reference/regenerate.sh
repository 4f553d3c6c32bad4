#!/usr/bin/env bash
# Works out the numbers in this folder anew, with programs that share nothing
# with this repository: R and SciPy/statsmodels as Debian packages them. Tests
# read the numbers only. Run it in this folder, then look at "git diff".
#
#   sudo apt-get install --no-install-recommends r-base-core r-cran-statmod \
#        r-cran-strucchange python3-scipy python3-statsmodels
set -euo pipefail
cd "$(dirname "$0")"

# Debian's own Python, whose packages apt-get installs.
python=${PYTHON:-/usr/bin/python3}
command -v Rscript >/dev/null || { echo "regenerate.sh: no Rscript; install what the head of this file names" >&2; exit 1; }
"$python" -c 'import scipy, statsmodels' || { echo "regenerate.sh: $python has no scipy or statsmodels; install what the head of this file names" >&2; exit 1; }
export LC_ALL=C.UTF-8 TZ=UTC OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1

# The NIST files are inputs: data and certified values as published. They are
# fetched only where they are missing.
if [ ! -s nist/Norris.dat ]; then
	scratch=$(mktemp -d)
	trap 'rm -rf "$scratch"' EXIT
	(cd "$scratch" && apt-get download gretl-data >/dev/null && dpkg-deb -x gretl-data_*.deb data)
	for name in Norris NoInt1 NoInt2 Pontius Longley Wampler1 Wampler5; do
		tr -d '\r' <"$scratch/data/usr/share/gretl/data/nist/$name.dat" >"nist/$name.dat"
	done
fi

Rscript --vanilla reference.R
"$python" reference.py
# The made-up days of the first are read by the second.
"$python" baselines.py
Rscript --vanilla baselines.R
{
	Rscript --vanilla -e 'for (p in c("statmod", "strucchange")) cat(p, as.character(packageVersion(p)), "\n")' | sed 's/ *$//'
	Rscript --vanilla -e 'cat("R", paste0(R.version$major, ".", R.version$minor), "\n")' | sed 's/ *$//'
	"$python" -c 'import scipy, numpy, statsmodels; print("scipy", scipy.__version__); print("numpy", numpy.__version__); print("statsmodels", statsmodels.__version__)'
} >versions.txt
cat versions.txt
