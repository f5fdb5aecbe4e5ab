# The multi-state model of bench/multistate.py in msm, by its Fisher scoring. usage: Rscript peer.R VISITS.csv LIGHT SUBJECTS
# LIGHT is the column of light (lightc in classes, light as measured). Prints one line of JSON.
suppressMessages(library(msm))
arguments <- commandArgs(TRUE)
visits <- read.csv(arguments[1])
visits <- visits[visits$plant < as.integer(arguments[3]), ]
moves <- rbind(c(1,2), c(1,6), c(2,1), c(2,3), c(2,4), c(2,5), c(2,6), c(3,1), c(3,4), c(3,5), c(3,6), c(4,1), c(4,3), c(4,5), c(4,6), c(5,1), c(5,3), c(5,4), c(5,6))
start <- 1.3 * c(.010, .0004, .004, .003, .003, .0015, .0003, .0015, .0006, .0003, .00006, .0020, .0008, .0004, .00012, .0025, .0006, .0006, .00025)
Q <- matrix(0, 6, 6); Q[moves] <- start; diag(Q) <- -rowSums(Q)
by <- as.formula(paste("~ treat +", arguments[2]))
invisible(gc())
seconds <- system.time(m <- msm(state ~ day, subject = plant, data = visits, qmatrix = Q, covariates = by, center = FALSE,
  hessian = FALSE, opt.method = "fisher"))[["elapsed"]]
peak <- as.numeric(gsub("[^0-9]", "", grep("VmHWM", readLines("/proc/self/status"), value = TRUE))) / 1024
cat(sprintf('{"seconds":%.3f,"minus2loglik":%.12f,"peak_mb":%.0f,"estimates":[%s]}\n', seconds, m$minus2loglik, peak,
  paste(sprintf("%.17g", m$estimates), collapse = ",")))
