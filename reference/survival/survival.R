# Other programs' answers for the survival estimators. Run in this folder: Rscript survival.R > survival.out
# Writes the invented tables rows.csv and looks.csv, then fits them.
suppressMessages({library(survival); library(sandwich); library(msm); library(lme4)})
options(digits = 12, scipen = 3)
set.seed(41)

# --- rows.csv: 240 plants in 12 blocks, looked at irregularly and always at 1 and 2 years, so no row crosses a cut
plants <- data.frame(plant = 1:240, block = rep(1:12, each = 20))
plants$ants <- rep(0:1, 120)
plants$light <- round(runif(240), 2)
effect <- rnorm(12, 0, 0.9)[plants$block]
rows <- do.call(rbind, lapply(1:240, function(i) {
  first <- sample(c(0, 0, 0, 0.5), 1)
  looks <- sort(unique(c(first, 1, 2, 3, round(runif(3, first + 0.05, 3), 2))))
  hazard <- exp(-0.6 - 0.9 * plants$ants[i] + 0.8 * plants$light[i] + effect[i])
  death <- first + rexp(1, hazard)
  start <- head(looks, -1); stop <- looks[-1]
  kept <- start < death
  data.frame(plants[i, ], start, stop, died = as.integer(death <= stop & death > start))[kept, ]
}))
write.csv(rows, "rows.csv", row.names = FALSE)
cat("rows", nrow(rows), "deaths", sum(rows$died), "\n")

cat("== complementary log-log with offset log(stop - start), one intercept a year\n")
rows$year <- cut(rows$start, c(-1, 0.999, 1.999, 3), labels = FALSE)
g <- glm(died ~ ants + light + factor(year) - 1 + offset(log(stop - start)), binomial("cloglog"), rows,
         control = glm.control(epsilon = 1e-14, maxit = 100))
print(coef(g)); print(sqrt(diag(vcov(g)))); print(logLik(g))

cat("== the same likelihood by hand: observed information, sandwich by block\n")
design <- cbind(rows$ants, rows$light, outer(rows$year, 1:3, "==") + 0)
hazard <- function(b) (rows$stop - rows$start) * exp(drop(design %*% b))
value <- function(b) { h <- hazard(b); sum(ifelse(rows$died == 1, log(-expm1(-h)), -h)) }
slope <- function(b) { h <- hazard(b); colSums(design * ifelse(rows$died == 1, h / expm1(h), -h)) }
best <- optim(coef(g), value, slope, method = "BFGS", control = list(fnscale = -1, reltol = 1e-15, maxit = 1000))$par
bread <- solve(-optimHess(best, value, slope, control = list(fnscale = 1, ndeps = rep(1e-5, 5))))
print(sqrt(diag(bread)))
h <- hazard(coef(g)); score <- design * ifelse(rows$died == 1, h / expm1(h), -h)
blocks <- rowsum(score, rows$block); robust <- bread %*% crossprod(blocks) %*% bread
print(sqrt(diag(robust)))
cat("sandwich package, expected information, G/(G-1):\n"); print(sqrt(diag(vcovCL(g, rows$block, type = "HC0", cadjust = TRUE))))

cat("== one constant hazard from time 0: survreg, exponential\n")
whole <- do.call(rbind, lapply(split(rows, rows$plant), function(p) if (p$start[1] > 0) NULL else
  data.frame(p[1, c("ants", "light")], left = if (any(p$died == 1)) p$start[p$died == 1] else max(p$stop),
             right = if (any(p$died == 1)) p$stop[p$died == 1] else NA)))
s <- survreg(Surv(ifelse(left == 0, NA, left), right, type = "interval2") ~ ants + light, whole, dist = "exponential",
             control = survreg.control(rel.tolerance = 1e-14, maxiter = 100))
print(nrow(whole)); print(coef(s)); print(sqrt(diag(vcov(s)))); print(s$loglik[2])

cat("== Cox, deaths dated by the look that found them, ties, late entry, blocks\n")
k <- coxph(Surv(start, stop, died) ~ ants + light, rows, cluster = block, ties = "efron",
           control = coxph.control(eps = 1e-13, iter.max = 50))
print(coef(k)); print(sqrt(diag(k$naive.var))); print(sqrt(diag(k$var))); print(k$loglik)

cat("== normal block effects on the log hazard: lme4, 25 quadrature points\n")
m <- glmer(died ~ ants + light + factor(year) - 1 + (1 | block) + offset(log(stop - start)), rows, binomial("cloglog"),
           nAGQ = 25, control = glmerControl(optimizer = "bobyqa", optCtrl = list(maxfun = 1e5, rhoend = 1e-9)))
print(fixef(m)); print(as.data.frame(VarCorr(m))$sdcor); print(logLik(m))

cat("== looks.csv: vacant plants found by taxon 1, by taxon 2, or dead (3) between looks\n")
looks <- do.call(rbind, lapply(1:300, function(i) {
  ants <- i %% 2; light <- round(runif(1), 2)
  at <- c(0, sort(round(runif(3, 0.1, 2.5), 2)))
  rates <- c(0.5 * exp(0.7 * ants), 0.3 * exp(1.1 * light), 0.15)
  when <- rexp(1, sum(rates)); what <- sample(3, 1, prob = rates)
  start <- head(at, -1); stop <- at[-1]
  d <- data.frame(plant = i, ants, light, start, stop, cause = ifelse(when > start & when <= stop, what, 0))
  d[start < when & stop > start, ]
}))
write.csv(looks, "looks.csv", row.names = FALSE)
print(table(looks$cause))
panel <- do.call(rbind, lapply(split(looks, looks$plant), function(p)
  data.frame(plant = p$plant[1], time = c(p$start[1], p$stop), state = c(1, p$cause + 1), ants = p$ants[1], light = p$light[1])))
Q <- rbind(c(0, .3, .3, .1), 0, 0, 0)
f <- msm(state ~ time, subject = plant, data = panel, qmatrix = Q, covariates = ~ ants + light, center = FALSE,
         method = "BFGS", control = list(reltol = 1e-16, maxit = 5000, fnscale = 1000))
cat("one constant hazard a cause, msm:\n"); print(f$minus2loglik); print(f$Qmatrices$baseline[1, 2:4])
for (x in c("ants", "light")) { print(f$Qmatrices[[x]][1, 2:4]); print(f$QmatricesSE[[x]][1, 2:4]) }
print(pmatrix.msm(f, 2, covariates = list(ants = 1, light = 0.5))[1, ])
cat("hazards that change at 1, likelihood by hand from matrix exponentials:\n")
first <- pmax(pmin(looks$stop, 1) - looks$start, 0); second <- looks$stop - looks$start - first
chances <- function(b, i, d1, d2) { b <- matrix(b, 4); P <- diag(4)
  for (k in 1:2) { q <- Q; q[1, 2:4] <- exp(b[1, ] * looks$ants[i] + b[2, ] * looks$light[i] + b[2 + k, ]); q[1, 1] <- -sum(q[1, 2:4])
    P <- P %*% MatrixExp(q, c(d1, d2)[k]) }
  P[1, ] }
likelihood <- function(b) sum(sapply(seq_len(nrow(looks)), function(i) log(chances(b, i, first[i], second[i])[looks$cause[i] + 1])))
start <- rbind(f$Qmatrices$ants[1, 2:4], f$Qmatrices$light[1, 2:4], log(f$Qmatrices$baseline[1, 2:4]), log(f$Qmatrices$baseline[1, 2:4]))
best <- optim(c(start), likelihood, method = "BFGS", control = list(fnscale = -1, reltol = 1e-13, maxit = 300))
print(matrix(best$par, 4)); print(best$value)
print(sapply(c("survival", "sandwich", "msm", "lme4"), function(x) as.character(packageVersion(x)))); print(R.version.string)
