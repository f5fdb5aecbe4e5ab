# The mixed models of bench/mixed.py in lme4 and glmmTMB. usage: Rscript mixed_peers.R VISITS.csv TASK
# Prints one line of JSON: processor seconds, coefficients, standard errors, standard deviations of the random effects, log-likelihood.
suppressMessages({library(lme4); library(glmmTMB)})
arguments <- commandArgs(TRUE)
task <- arguments[2]
visits <- read.csv(arguments[1])
visits <- visits[visits$state != 6, ]
visits$plant <- factor(visits$plant)
visits$block <- factor(visits$block)
inner <- subset(visits, prop > 0 & prop < 1)
fits <- list(
  linear = function() lmer(height ~ yr * treat + light + (1 + yr | plant) + (1 | block), visits),
  binomial = function() glmmTMB(cbind(damaged, leaves - damaged) ~ treat + light + occ + (1 | plant) + (1 | block), visits, family = binomial),
  negative_binomial = function() glmmTMB(herb ~ treat + light + occ + (1 | plant) + (1 | block), visits, family = nbinom2),
  beta_binomial = function() glmmTMB(cbind(damaged, leaves - damaged) ~ treat + light + occ + (1 | plant) + (1 | block), visits, family = betabinomial),
  beta = function() glmmTMB(prop ~ treat + light + occ + (1 | plant) + (1 | block), inner, family = beta_family)
)
invisible(gc())
seconds <- sum(system.time(fit <- suppressWarnings(fits[[task]]()))[c("user.self", "sys.self")])
# lme4's default search stops about 3e-6 short in log-likelihood, which moves a standard error by 1e-4: the numbers to
# agree with come from a second, untimed fit with a tight tolerance.
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9, maxfun = 1e5))
if (task == "linear") fit <- update(fit, control = tight)
tmb <- inherits(fit, "glmmTMB")
text <- function(x) paste0("[", paste(format(as.numeric(x), digits = 12, trim = TRUE), collapse = ","), "]")
coefficients <- if (tmb) fixef(fit)$cond else fixef(fit)
errors <- sqrt(diag(as.matrix(if (tmb) vcov(fit)$cond else vcov(fit))))
components <- if (tmb) VarCorr(fit)$cond else VarCorr(fit)
cat(sprintf('{"task":"%s","seconds":%.3f,"rows":%d,"coefficients":%s,"standard_errors":%s,"random_sd":%s,"dispersion":%s,"loglik":%.9f}\n',
  task, seconds, nobs(fit), text(coefficients), text(errors), text(unlist(lapply(components, attr, "stddev"))), text(sigma(fit)), as.numeric(logLik(fit))))
