# Contagious bovine pleuropneumonia (Lesnoff et al. 2004; lme4's table cbpp): Laplace fits in lme4, default and tight, and glmmTMB. usage: Rscript cbpp.R > cbpp.out
suppressMessages({library(lme4); library(glmmTMB)})
options(digits = 10)
model <- cbind(incidence, size - incidence) ~ period + (1 | herd)
tight <- glmerControl(tolPwrss = 1e-12, optimizer = "bobyqa", optCtrl = list(rhoend = 1e-9))
for (g in list(glmer(model, cbpp, binomial), glmer(model, cbpp, binomial, control = tight))) {
  print(summary(g)$coefficients); print(VarCorr(g)); cat("logLik", format(as.numeric(logLik(g)), digits = 12), "\n")
}
t <- glmmTMB(model, cbpp, family = binomial)
print(summary(t)$coefficients$cond); print(VarCorr(t)); cat("logLik", format(as.numeric(logLik(t)), digits = 12), "\n")
print(sapply(c("lme4", "glmmTMB"), function(x) as.character(packageVersion(x)))); print(R.version.string)
