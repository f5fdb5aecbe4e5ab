# Mixed models of trials.csv in general-purpose R packages (Debian): lme4, glmmTMB, ordinal. usage: Rscript models.R > models.out
suppressMessages({library(lme4); library(glmmTMB); library(ordinal)})
options(digits = 10, width = 140)
d <- read.csv("trials.csv")
d$block <- factor(d$block); d$plant <- factor(d$plant); d$round <- factor(d$visit); d$class <- factor(d$damage, ordered = TRUE)
show <- function(name, m) {
  cat("==", name, "\n")
  print(summary(m)$coefficients$cond)
  cat("random sd", format(sapply(VarCorr(m)$cond, attr, "stddev"), digits = 10), "sigma", format(sigma(m), digits = 10), "logLik", format(as.numeric(logLik(m)), digits = 12), "\n")
}
control <- glmmTMBControl(optCtrl = list(iter.max = 1e4, eval.max = 1e4, rel.tol = 1e-12))
fit <- function(f, ...) glmmTMB(f, d, control = control, ...)
show("binomial nested", fit(cbind(hits, trials - hits) ~ treated + light + (1 | plant) + (1 | block), family = binomial))
show("binomial crossed", fit(cbind(hits, trials - hits) ~ treated + light + (1 | plant) + (1 | round), family = binomial))
show("binomial one", fit(cbind(hits, trials - hits) ~ treated + light + (1 | plant), family = binomial))
show("betabinomial nested", fit(cbind(hits, trials - hits) ~ treated + light + (1 | plant) + (1 | block), family = betabinomial))
show("betabinomial crossed", fit(cbind(hits, trials - hits) ~ treated + light + (1 | plant) + (1 | round), family = betabinomial))
show("beta nested", fit(proportion ~ treated + light + (1 | plant) + (1 | block), family = beta_family))
show("beta one weighted", glmmTMB(proportion ~ treated + light + (1 | plant), d, control = control, family = beta_family, weights = trials))
show("poisson", fit(count ~ treated + light + (1 | plant) + (1 | block), family = poisson))
show("negative binomial", fit(count ~ treated + light + (1 | plant) + (1 | block) + offset(log(trials)), family = nbinom2))
for (f in list(class ~ treated + light + (1 | plant) + (1 | block), class ~ treated + light + (1 | plant))) {
  cat("== ordered", deparse(f), "\n"); m <- clmm(f, data = d, control = clmm.control(gradTol = 1e-8))
  print(summary(m)$coefficients); print(sapply(VarCorr(m), attr, "stddev")); cat("logLik", format(as.numeric(logLik(m)), digits = 12), "\n")
}
linear <- function(name, f, reml) {
  cat("==", name, "\n")
  m <- lmer(f, d, REML = reml, control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10)))
  print(summary(m)$coefficients); print(as.data.frame(VarCorr(m))[, c("grp", "var1", "var2", "sdcor")]); cat("logLik", format(as.numeric(logLik(m)), digits = 12), "\n")
}
linear("linear REML, slope", height ~ visit * treated + (1 + visit | plant) + (1 | block), TRUE)
linear("linear ML, slope", height ~ visit * treated + (1 + visit | plant) + (1 | block), FALSE)
linear("linear REML, crossed", height ~ treated + (1 | plant) + (1 | round), TRUE)
cat("== logistic regression, averages over all rows with the treatment set, delta method\n")
m <- glm(cbind(hits, trials - hits) ~ treated + light, binomial, d)
average <- function(b, t) mean(plogis(b[1] + b[2] * t + b[3] * d$light))
slope <- function(t) { p <- plogis(cbind(1, t, d$light) %*% coef(m)); colMeans(cbind(1, t, d$light) * as.numeric(p * (1 - p))) }
a0 <- average(coef(m), 0); a1 <- average(coef(m), 1); g <- slope(1) - slope(0); h <- slope(1) / a1 - slope(0) / a0
cat("means", format(c(a0, a1), digits = 10), "difference", format(c(a1 - a0, sqrt(g %*% vcov(m) %*% g)), digits = 10), "log ratio", format(c(log(a1 / a0), sqrt(h %*% vcov(m) %*% h)), digits = 10), "\n")
print(sapply(c("lme4", "glmmTMB", "ordinal"), function(x) as.character(packageVersion(x)))); print(R.version.string)
