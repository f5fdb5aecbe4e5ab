# One task of bench/survival.py in R. usage: Rscript peer.R PREFIX TASK RUNS
# Prints one line of JSON: median processor seconds, log-likelihoods, coefficients.
suppressMessages({library(survival); library(npsurv)})
given <- commandArgs(TRUE); prefix <- given[1]; task <- given[2]; runs <- as.integer(given[3])
timed <- function(fit) {
  seconds <- numeric(runs)
  for (i in seq_len(runs)) { gc(); seconds[i] <- sum(system.time(found <- fit())[c("user.self", "sys.self")]) }
  list(seconds = median(seconds), found = found)
}
numbers <- function(x) paste0("[", paste(format(x, digits = 15, trim = TRUE), collapse = ","), "]")
say <- function(seconds, values, coefficients)
  cat(sprintf('{"seconds":%.6f,"values":%s,"coefficients":%s}\n', seconds, numbers(values), numbers(coefficients)))

if (task %in% c("npmle", "weibull")) {
  plants <- read.csv(paste0(prefix, "_plants.csv"))
  plants$to <- ifelse(plants$event == 1, plants$right, Inf)
  plants <- plants[plants$to > 0 & (plants$left > 0 | is.finite(plants$to)), ]
}
if (task == "npmle") {
  arms <- lapply(0:1, function(arm) { d <- plants[plants$treat == arm, ]; timed(function() npsurv(cbind(d$left, d$to))) })
  say(sum(sapply(arms, function(a) a$seconds)), sapply(arms, function(a) a$found$ll), numeric(0))
}
if (task == "weibull") {
  plants$from <- ifelse(plants$left > 0, plants$left, NA)
  plants$until <- ifelse(is.finite(plants$to), plants$to, NA)
  fit <- timed(function() survreg(Surv(from, until, type = "interval2") ~ treat + light0 + factor(habitat), plants,
    dist = "weibull", control = survreg.control(rel.tolerance = 1e-12, maxiter = 100)))
  say(fit$seconds, fit$found$loglik[2], c(coef(fit$found), fit$found$scale, sqrt(diag(vcov(fit$found)))))
}
if (task == "cloglog") {
  v <- read.csv(paste0(prefix, "_visits.csv"))
  v <- v[order(v$plant, v$day), ]
  n <- nrow(v)
  from <- which(v$plant[-1] == v$plant[-n] & v$state[-n] != 6)
  rows <- data.frame(v[from, c("treat", "light", "occ")], days = v$day[from + 1] - v$day[from],
                     died = as.integer(v$state[from + 1] == 6), year = cut(v$yr[from], c(-1, 1:5, 99)))
  fit <- timed(function() glm(died ~ treat + light + occ + year + offset(log(days)), binomial("cloglog"), rows,
    control = glm.control(epsilon = 1e-12, maxit = 50)))
  say(fit$seconds, as.numeric(logLik(fit$found)), c(coef(fit$found), sqrt(diag(vcov(fit$found)))))
}
